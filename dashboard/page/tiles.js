// One tile a spindle: its word with a shape and a colour, why, and its numbers while they are new.
import { SHAPES, clock, dash, el, fill, number, shape } from "./format.js";

const CALM = new Set(["ALL WELL", "STOPPED"]);

// What needs somebody first: held, held when last heard of, lost, a warning; then those that work, stand, or ended.
export function rank(spindle) {
  if (spindle.ended) return 6;
  if (spindle.word === "HELD") return 0;
  if (spindle.word === "NO DATA") return spindle.last_word === "HELD" ? 1 : 2;
  return { LOOK: 3, "ALL WELL": 4, STOPPED: 5 }[spindle.word];
}

export const inOrder = (spindles) => [...spindles].sort((a, b) => rank(a) - rank(b) || byName(a, b));
const byName = (a, b) => a.name.localeCompare(b.name, undefined, { numeric: true });
export const isCalm = (spindle) => CALM.has(spindle.word) || spindle.ended;

// A day that is not today's is said: a time alone would look like today's.
export function since(epoch) {
  if (epoch === null || epoch === undefined) return "";
  const then = new Date(epoch * 1000);
  const today = then.toDateString() === new Date().toDateString();
  return today ? clock(epoch) : `${then.toLocaleDateString(undefined, { month: "short", day: "numeric" })}, ${clock(epoch)}`;
}

export function makeTile(name) {
  const parts = { sign: el("span"), word: el("span", { class: "word" }), body: el("div", { class: "body" }) };
  const head = el("div", { class: "head" }, parts.sign, el("h2", { class: "name" }, name), parts.word);
  return { element: el("li", { class: "tile" }, head, parts.body), parts, drawn: "" };
}

// Draws only what has changed: a hundred tiles are told four times a second.
export function drawTile(tile, spindle, lost) {
  const shown = lost ? { ...spindle, word: "NO DATA", live: false } : spindle;
  const key = JSON.stringify(shown);
  if (key === tile.drawn) return;
  tile.drawn = key;
  const { element, parts } = tile;
  element.dataset.word = shown.word;
  element.classList.toggle("ended", shown.ended);
  element.classList.toggle("calm", isCalm(shown));
  parts.word.textContent = shown.ended ? "ENDED" : shown.word;
  parts.sign.replaceWith(parts.sign = shape(SHAPES[shown.word]));
  fill(parts.body, ...(shown.live ? live(shown) : silent(shown)), ...notes(shown));
}

function live(s) {
  return [
    s.word === "ALL WELL" ? null : el("p", { class: "told" }, s.why),
    s.todo && s.word !== "STOPPED" ? el("p", { class: "quiet" }, s.todo) : null,
    s.word === "ALL WELL" ? null : el("p", { class: "quiet" }, `Since ${since(s.state_since)}`),
    el("p", { class: "figures" },
      figure(number(s.speed_rpm, 0), "rpm"),
      figure(number(s.sag_pct, 1), "% sag"),
      s.blanks ? figure(`${s.blank || s.blanks_done || dash}`, `of ${s.blanks} blanks`) : null),
    loadBar(s),
  ];
}

function silent(s) {
  if (s.ended) return [el("p", { class: "quiet" }, s.heard_at ? `Ended in good order at ${since(s.heard_at)}.` : "Ended in good order.")];
  const at = s.heard_at ? `No word since ${since(s.heard_at)}.` : "No word yet.";
  const last = s.last_word ? ` Last known: ${s.last_word}.` : "";
  return [el("p", { class: "told" }, at), el("p", { class: "quiet" }, `Look at the machine yourself.${last}`)];
}

function notes(s) {
  const link = /^https?:\/\//.test(s.page ?? "") ? el("a", { href: s.page, rel: "noreferrer" }, "Its own page") : null;
  return [
    s.job ? el("p", { class: "quiet" }, s.synthetic ? `${s.job} (synthetic: no machine)` : s.job) : null,
    s.missing ? el("p", { class: "quiet" }, `${s.missing} of its records cannot be had here.`) : null,
    s.dropped ? el("p", { class: "quiet" }, `It dropped ${s.dropped} records while the broker was away.`) : null,
    link,
  ];
}

function figure(value, unit) {
  return el("span", {}, el("b", {}, value), el("span", { class: "unit" }, ` ${unit}`));
}

// Sag up to the sag that holds, with a mark at the one that warns. The numbers stand beside it in words.
function loadBar(s) {
  if (!s.sag_hold_pct) return null;
  const ns = "http://www.w3.org/2000/svg";
  const part = Math.min(1, Math.max(0, (s.sag_pct ?? 0) / s.sag_hold_pct)) * 100;
  const svg = document.createElementNS(ns, "svg");
  svg.setAttribute("aria-hidden", "true");
  const bar = document.createElementNS(ns, "rect");
  for (const [name, value] of Object.entries({ x: 0, y: 0, height: "100%", width: `${part}%` })) bar.setAttribute(name, value);
  const mark = document.createElementNS(ns, "line");
  const at = `${(100 * s.sag_warning_pct) / s.sag_hold_pct}%`;
  for (const [name, value] of Object.entries({ x1: at, x2: at, y1: 0, y2: "100%" })) mark.setAttribute(name, value);
  svg.append(bar, mark);
  return el("div", { class: "load" }, svg);
}
