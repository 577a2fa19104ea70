// Past work: the list of batches, one batch with every blank and peck, and how the drill wears.
import { $, date, el, fill, kindName, length, number, plural, schedule, sessionTime, severitySign, signed, text } from "./format.js";
import { addChart, colours, drawLimits, drawUpright, line } from "./charts.js";
import { eventItem } from "./events.js";
import { Refused, get } from "./server.js";

const DOWNLOADS = [
  ["events.jsonl", "Events (JSON lines)"], ["trace.csv", "Curves (CSV)"], ["pecks.csv", "Pecks (CSV)"], ["clips.zip", "Sound clips (ZIP of FLAC)"],
];

const ACTS = { acknowledge: "Acknowledged", reset: "Reset", new_drill: "A new or sharpened drill" };

const perHour = (n, batch) => (batch.duration_s > 0 ? (3600 * n) / batch.duration_s : null);
export const batchName = (batch) => batch.job?.name ?? batch.source;

export async function showBatches() {
  const box = $("batches");
  try {
    const { batches, running } = await get("/api/batches");
    if (!batches.length) { fill(box, el("p", { class: "quiet" }, "No batch was kept yet.")); return; }
    const chosen = new Set();
    const compare = el("a", { class: "button off", role: "link", "aria-disabled": "true" }, "Compare two");
    const choose = (number_, on) => {
      if (on) chosen.add(number_);
      else chosen.delete(number_);
      const ready = chosen.size === 2;
      compare.classList.toggle("off", !ready);
      compare.setAttribute("aria-disabled", String(!ready));
      if (ready) compare.href = `#/compare/${[...chosen].sort((a, b) => a - b).join("/")}`;
      else compare.removeAttribute("href");
      text("batches-state", ready ? "Two are chosen." : `Choose two batches to compare; ${chosen.size} chosen.`);
    };
    fill(box, 
      el("div", { class: "row" }, compare, el("p", { id: "batches-state", class: "quiet", role: "status" }, "Choose two batches to compare.")),
      el("ul", { class: "batch-list" }, ...batches.map((batch) => batchRow(batch, running, choose))));
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    fill(box, el("p", { role: "alert" }, error.message));
  }
}

function stateWord(batch, running) {
  if (batch.state === "running") return batch.number === running ? "running now" : "cut off";
  return batch.state;
}

function batchRow(batch, running, choose) {
  return el("li", { class: "card" },
    el("input", { type: "checkbox", "aria-label": `Choose batch ${batch.number} to compare`, onchange: (e) => choose(batch.number, e.target.checked) }),
    el("a", { href: `#/batch/${batch.number}` }, el("strong", {}, `${batch.number}: ${batchName(batch)}`)),
    el("span", { class: "quiet" }, `${date(batch.started)}, ${batch.duration_s ? `${sessionTime(batch.duration_s)} of sound, ` : ""}${stateWord(batch, running)}`),
    el("span", {}, `${plural(batch.blanks, "blank")}, ${plural(batch.pecks, "peck")}${batch.continues ? `, goes on with batch ${batch.continues}` : ""}`),
    el("span", { class: batch.holds ? "hold" : "" }, batch.holds ? severitySign("hold") : null, plural(batch.holds, "hold")),
    el("span", { class: batch.warnings ? "warning" : "" }, batch.warnings ? severitySign("warning") : null, plural(batch.warnings, "warning")));
}

// ---- one batch

let shown = [];

export async function showBatch(number_) {
  const box = $("batch");
  fill(box, el("p", { class: "quiet" }, "Loading."));
  shown = [];
  try {
    const [batch, curve] = await Promise.all([get(`/api/batches/${number_}`), get(`/api/batches/${number_}/curve`)]);
    build(box, batch, curve);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    fill(box, el("p", { role: "alert" }, error.message));
  }
}

function build(box, batch, curve) {
  const job = batch.job;
  const whole = el("div", { class: "curve tall", role: "img", "aria-label": "Curve of sag over the whole batch, with its warnings and holds." });
  const wear = el("div", { class: "curve tall", role: "img", "aria-label": "Chart of drill wear; the words below say the same." });
  fill(box, 
    el("nav", { class: "row", "aria-label": "Batch" }, el("a", { class: "button", href: "#/batches" }, "All batches"), el("a", { class: "button", href: `#/holds/${batch.number}` }, "Its holds and warnings")),
    el("h2", { tabindex: -1, id: "batch-title", class: "title" }, `Batch ${batch.number}: ${batchName(batch)}`),
    el("p", {}, [date(batch.started), batch.duration_s ? `${sessionTime(batch.duration_s)} of sound` : "", batch.source, batch.state].filter(Boolean).join(", ")),
    job ? el("p", { class: "quiet" }, `${job.material}, ${job.spindle_rpm} rpm, drill ${length(job.drill_diameter_mm)}, hole ${length(job.depth_mm)}, pecks ${schedule(job.pecks_mm)}; sag warning ${job.sag_warning_pct} %, hold ${job.sag_hold_pct} %`) : null,
    batch.note ? el("p", {}, batch.note) : null,
    batch.continues ? el("p", {}, "Goes on with ", el("a", { href: `#/batch/${batch.continues}` }, `batch ${batch.continues}`), ", and numbers its blanks from there.") : null,
    el("p", {}, `${plural(batch.blanks, "blank")} drilled${job ? ` of ${job.blanks}` : ""}, ${plural(batch.pecks, "peck")}, ${plural(batch.holds, "hold")}, ${plural(batch.warnings, "warning")}.`),
    el("figure", { class: "card" }, el("figcaption", {}, "Sag in %, the most in each piece of time"), whole),
    el("section", { class: "card" }, el("h3", {}, "Every blank and peck"), el("p", { class: "quiet" }, "Mean sag of each peck in %; the signs mark what went wrong in it. More of each in the table below."), blanksTable(batch)),
    el("figure", { class: "card" }, el("figcaption", {}, "Drill wear: load of like pecks over the blanks, 1 is that of the drill when new"), wear, el("p", { id: "wear-words", class: "quiet" }, "Reckoning.")),
    el("details", { class: "card" }, el("summary", {}, "All pecks in figures"), pecksTable(batch.rows)),
    el("section", { class: "card" }, el("h3", {}, "Take away"), el("ul", { class: "downloads" }, ...downloads(batch))),
    el("section", { class: "card" }, el("h3", {}, "What happened"), el("ol", { class: "event-list", tabindex: 0, "aria-label": "What happened, oldest first" }, ...happenings(batch))),
  );
  drawWhole(whole, batch, curve);
  get(`/api/batches/${batch.number}/wear`).then((found) => { drawWear(wear, found); text("wear-words", wearSentence(found)); }, (error) => text("wear-words", error.message));
  $("batch-title").focus({ preventScroll: true });
}

function downloads(batch) {
  const list = DOWNLOADS.map(([file, words]) => el("li", {}, el("a", { href: `/api/batches/${batch.number}/${file}`, download: true }, words)));
  if (batch.report) list.unshift(el("li", {}, el("a", { href: `/api/batches/${batch.number}/report.html`, download: true }, "The report, one page (HTML)")));
  return list;
}

function happenings(batch) {
  const acts = batch.acts.map((act) => ({ t: act.t, item: eventItem({ severity: "info", message: `${ACTS[act.act] ?? act.act}${act.by ? ` (${act.by})` : ""}.` }, sessionTime(act.t)) }));
  const events = batch.events.map((event) => ({ t: event.t, item: eventItem(event, sessionTime(event.t)) }));
  return [...events, ...acts].sort((a, b) => a.t - b.t).map((one) => one.item);
}

// Blanks down, pecks across.
function blanksTable(batch) {
  const blanks = [...new Set(batch.rows.map((row) => row.blank))];
  const most = Math.max(0, ...batch.rows.map((row) => row.peck));
  if (!most) return el("p", { class: "quiet" }, "No peck was heard.");
  const at = new Map(batch.rows.map((row) => [`${row.blank} ${row.peck}`, row]));
  const numbers = Array.from({ length: most }, (_, i) => i + 1);
  const cell = (row) => (row === undefined ? el("td", {}) : el("td", { class: row.worst_event ? "bad" : "" },
    number(row.mean_sag_pct, 1), row.worst_event ? el("span", { class: "fault" }, ` ${kindName(row.worst_event)}`) : null));
  return el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "Table of every blank and peck" }, el("table", {},
    el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "Blank"), ...numbers.map((peck) => el("th", { scope: "col" }, `Peck ${peck}`)))),
    el("tbody", {}, ...blanks.map((blank) => el("tr", {}, el("th", { scope: "row" }, String(blank)), ...numbers.map((peck) => cell(at.get(`${blank} ${peck}`))))))));
}

function pecksTable(rows) {
  const columns = [
    ["Blank", (r) => r.blank], ["Peck", (r) => r.peck], ["Start", (r) => sessionTime(r.start_s)], ["Lasts", (r) => `${number(r.end_s - r.start_s, 1)} s`],
    ["From", (r) => length(r.depth_from_mm)], ["To", (r) => length(r.depth_to_mm)], ["Mean sag", (r) => `${number(r.mean_sag_pct, 2)} %`], ["Most sag", (r) => `${number(r.max_sag_pct, 2)} %`],
    ["Load climbs at", (r) => (r.climb_depth_mm === null ? "" : length(r.climb_depth_mm))], ["Cutting sound", (r) => `${number(r.mean_cut_level_db, 1)} dB`],
    ["Flutes full", (r) => (r.flute_fill === null ? "" : `${number(100 * r.flute_fill, 0)} %`)], ["Worst", (r) => (r.worst_event ? kindName(r.worst_event) : "")],
  ];
  return el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "Table of all pecks" }, el("table", {},
    el("thead", {}, el("tr", {}, ...columns.map(([name]) => el("th", { scope: "col" }, name)))),
    el("tbody", {}, ...rows.map((row) => el("tr", {}, ...columns.map(([, value]) => el("td", {}, String(value(row)))))))));
}

export function wearSentence(wear) {
  const counted = wear.blanks.filter((blank) => blank >= (wear.new_drill ?? 0)).length;
  const since = wear.new_drill === null ? "" : ` Counted since the new drill, from blank ${wear.new_drill} on.`;
  if (wear.rise === null) return `Drill wear is told from ${wear.needed} good blanks on; ${plural(counted, "blank")} can be compared so far.${since}`;
  const share = (value) => `${signed(100 * value)} %`;
  const range = `${share(wear.rise)} over ${plural(counted, "blank")} (90 % confidence: ${share(wear.low)} to ${share(wear.high)})`;
  if (!wear.called) return `No sure rise of the load: ${range}.${since}`;
  const left = wear.left === null ? "" : ` At this pace it is half as much again in about ${plural(Math.max(1, Math.round(wear.left)), "blank")}.`;
  return `The load rises: ${range}.${left} Look at the edges of the drill.${since}`;
}

function drawWhole(box, batch, curve) {
  const job = batch.job;
  const end = curve.t.at(-1) ?? 1;
  const limits = job ? [job.sag_warning_pct, job.sag_hold_pct] : [];
  const hold = limits[1] ?? 8;
  const top = Math.max(1.5 * hold, Math.min(2.5 * hold, 1.1 * Math.max(0, ...curve.sag_pct.filter((v) => v !== null))));
  shown.push(addChart(box, { x: () => [0, end], y: () => [-top / 6, top], series: [line()], under: (u) => {
    u.ctx.save();
    if (limits.length) { drawLimits(u, limits); }
    for (const event of batch.events) if (event.severity !== "info") drawUpright(u, event.t, event.severity === "hold" ? colours["hold-ink"] : colours["warning-ink"], 2);
    u.ctx.restore();
  } }, [curve.t, curve.sag_pct]));
}

export function drawWear(box, ...wears) {
  const many = wears.filter((wear) => wear.blanks.length);
  const blanks = [...new Set(many.flatMap((wear) => wear.blanks))].sort((a, b) => a - b);
  if (!blanks.length) { fill(box, el("p", { class: "quiet" }, "No two like pecks to compare.")); return; }
  const data = many.map((wear) => blanks.map((blank) => { const i = wear.blanks.indexOf(blank); return i < 0 ? null : wear.load[i]; }));
  const values = data.flat().filter((v) => v !== null);
  const [low, high] = [Math.min(0.8, ...values) - 0.05, Math.max(1.2, ...values) + 0.05];
  const points = (i) => ({ ...line(i ? "other" : "curve", 2, i ? [6, 3] : undefined), points: { show: true, size: 9, fill: () => colours[i ? "card" : "curve"], stroke: () => colours[i ? "other" : "curve"] }, spanGaps: true });
  shown.push(addChart(box, {
    x: () => [blanks[0] - 0.5, blanks.at(-1) + 0.5], y: () => [low, high], series: data.map((_, i) => points(i)), xAxis: { incrs: [1, 2, 5, 10, 20, 50, 100] },
    xValues: (u, splits) => splits.map((v) => (Number.isInteger(v) ? String(v) : "")),
    under: (u) => { u.ctx.save(); many.forEach((wear, i) => { if (wear.new_drill !== null) drawUpright(u, wear.new_drill - 0.5, i ? colours.other : colours.mark, 2); }); u.ctx.restore(); },
    over: (u) => { u.ctx.save(); many.forEach((wear, i) => drawTrend(u, wear, i ? colours.other : colours.mark)); u.ctx.restore(); },
  }, [blanks, ...data]));
}

function drawTrend(u, wear, colour) {
  if (!wear.trend.length) return;
  u.ctx.strokeStyle = colour;
  u.ctx.lineWidth = 2 * devicePixelRatio;
  u.ctx.setLineDash([10 * devicePixelRatio, 5 * devicePixelRatio]);
  u.ctx.beginPath();
  wear.blanks.forEach((blank, i) => wear.trend[i] !== null && u.ctx.lineTo(u.valToPos(blank, "x", true), u.valToPos(wear.trend[i], "y", true)));
  u.ctx.stroke();
  u.ctx.setLineDash([]);
}

export function repaintBatch() { shown.forEach((chart) => chart.redraw()); }
export { perHour };
