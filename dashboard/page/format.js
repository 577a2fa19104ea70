// Words, numbers and small pieces of page. Units are converted only when shown.

export const $ = (id) => document.getElementById(id);
export const dash = "–";
export const SHAPES = { "ALL WELL": "well", LOOK: "look", HELD: "held", "NO DATA": "no-data", STOPPED: "stopped" };

// Writes only what differs: a screen reader need not hear what has not changed.
export function text(id, value) {
  const e = typeof id === "string" ? $(id) : id;
  if (e.textContent !== value) e.textContent = value;
}

// An element: attributes by name, "on..." as listeners, children as elements or words.
export function el(tag, attributes = {}, ...children) {
  const e = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) e.addEventListener(name.slice(2), value);
    else if (value === true) e.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) e.setAttribute(name, value);
  }
  e.append(...given(children));
  return e;
}

const given = (children) => children.filter((child) => child !== null && child !== undefined);
export function fill(box, ...children) { box.replaceChildren(...given(children)); }

// One of the page's shapes, told to a screen reader by its label.
export function shape(name, label) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("class", "sign");
  if (label) {
    svg.setAttribute("role", "img");
    svg.setAttribute("aria-label", label);
  } else {
    svg.setAttribute("aria-hidden", "true");
  }
  const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
  use.setAttribute("href", `#shape-${name}`);
  svg.append(use);
  return svg;
}

export function severitySign(severity) {
  const name = { warning: "look", hold: "held" }[severity];
  return name ? shape(name, severity) : el("span", { class: "sign" });
}

// ---- numbers

export function number(value, digits) {
  if (value === null || value === undefined || !Number.isFinite(value)) return dash;
  return value.toFixed(digits).replace("-", "\u2212").replace(/^\u2212(0(\.0*)?)$/, "$1");
}

export function signed(value, digits = 0) { return (value > 0 && number(value, digits) !== number(0, digits) ? "+" : "") + number(value, digits); }

export function plural(n, noun) { return `${n} ${noun}${n === 1 ? "" : "s"}`; }

const UNITS = "spindlebell units"; // "mm", "in", or nothing: as the job file has it
let jobUnits = "mm";

export function setJobUnits(units) { jobUnits = units; }
export function chosenUnits() { return localStorage.getItem(UNITS) ?? ""; }
export function chooseUnits(units) {
  if (units) localStorage.setItem(UNITS, units);
  else localStorage.removeItem(UNITS);
  document.dispatchEvent(new Event("units"));
}
export function units() { return chosenUnits() || jobUnits; }
export function inUnits(mm) { return units() === "in" ? mm / 25.4 : mm; }
export function length(mm) {
  if (mm === null || mm === undefined || !Number.isFinite(mm)) return dash;
  return units() === "in" ? `${(mm / 25.4).toFixed(2)} in` : `${mm.toFixed(mm < 10 ? 1 : 0).replace(/\.0$/, "")} mm`;
}

// A schedule in words, "20 mm, 10 mm, 13 × 6 mm".
export function schedule(pecks) {
  const runs = [];
  for (const mm of pecks) {
    const words = length(mm);
    if (runs.at(-1)?.words === words) runs.at(-1).n += 1;
    else runs.push({ words, n: 1 });
  }
  return runs.map(({ words, n }) => (n > 1 ? `${n} × ${words}` : words)).join(", ");
}

// ---- times

export function clock(epoch) {
  return new Date(epoch * 1000).toLocaleTimeString(undefined, { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });
}

export function date(iso) {
  return new Date(iso).toLocaleString(undefined, { year: "numeric", month: "short", day: "numeric", hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
}

// Minutes and seconds into a batch; hours where there are any.
export function sessionTime(s) {
  if (s === null || !Number.isFinite(s) || s < 0) return "";
  const whole = Math.round(s);
  const two = (n) => String(n).padStart(2, "0");
  const [h, m] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60];
  return h ? `${h}:${two(m)}:${two(whole % 60)}` : `${m}:${two(whole % 60)}`;
}

// ---- what an event says

const KINDS = {
  sag: "Sag", stall: "Stall", packing: "Packed chips", melting: "Melting", chatter: "Chatter", loosening: "Work coming loose",
  lost_cut: "Lost cut", mic_fault: "Microphone", masked: "Drowned by other sound", hold_now: "Held by hand", low_space: "Low on space",
};
export function kindName(kind) { return KINDS[kind] ?? kind.replaceAll("_", " "); }

export function whereabouts(event) {
  if (!event.blank) return "";
  const parts = [`blank ${event.blank}`];
  if (event.peck) parts.push(`peck ${event.peck}`);
  if (event.depth_mm !== null) parts.push(`at ${length(event.depth_mm)}`);
  return parts.join(", ");
}
