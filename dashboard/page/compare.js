// Two batches beside each other.
import { $, el, fill, number, schedule, sessionTime } from "./format.js";
import { addChart, line, colours } from "./charts.js";
import { batchName, drawWear, perHour, wearSentence } from "./batches.js";
import { Refused, get } from "./server.js";

export function median(values) {
  const sorted = values.filter((v) => v !== null && Number.isFinite(v)).sort((a, b) => a - b);
  if (!sorted.length) return null;
  const middle = Math.floor(sorted.length / 2);
  return sorted.length % 2 ? sorted[middle] : (sorted[middle - 1] + sorted[middle]) / 2;
}

let shown = [];

export async function showCompare(a, b) {
  const box = $("compare");
  fill(box, el("p", { class: "quiet" }, "Loading."));
  shown = [];
  try {
    build(box, await Promise.all([get(`/api/batches/${a}`), get(`/api/batches/${b}`)]));
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    fill(box, el("p", { role: "alert" }, error.message));
  }
}

// Seconds from the first peck of one blank to that of the next; the middle one, so that a hold counts little.
function cycle(batch) {
  const starts = new Map();
  for (const row of batch.rows) if (!starts.has(row.blank)) starts.set(row.blank, row.start_s);
  const times = [...starts.values()];
  return median(times.slice(1).map((t, i) => t - times[i]));
}

function build(box, batches) {
  const like = el("div", { class: "curve tall", role: "img", "aria-label": "Chart of the sag of like pecks in both batches; the figures are in the table." });
  const wear = el("div", { class: "curve tall", role: "img", "aria-label": "Chart of drill wear in both batches." });
  const name = (batch) => `${batch.number}: ${batchName(batch)}`;
  const keys = () => [el("span", { class: "key" }, el("i", { class: "key-solid" }), `batch ${batches[0].number}`), el("span", { class: "key" }, el("i", { class: "key-other" }), `batch ${batches[1].number}`)];
  fill(box, 
    el("nav", { class: "row", "aria-label": "Comparison" }, el("a", { class: "button", href: "#/batches" }, "All batches"), ...batches.map((one) => el("a", { class: "button", href: `#/batch/${one.number}` }, `Batch ${one.number}`))),
    el("h2", { tabindex: -1, id: "compare-title", class: "title" }, `Batches ${batches[0].number} and ${batches[1].number}`),
    el("div", { class: "card scroll", tabindex: 0, role: "region", "aria-label": "Table of differences" }, table(batches, name)),
    el("figure", { class: "card" }, el("figcaption", {}, "Mean sag of like pecks in %, the middle blank", ...keys()), like),
    el("figure", { class: "card" }, el("figcaption", {}, "Drill wear: load of like pecks over the blanks", ...keys()), wear,
      el("div", { id: "wears" }, el("p", { class: "quiet" }, "Reckoning."))),
  );
  drawLike(like, batches);
  Promise.all(batches.map((one) => get(`/api/batches/${one.number}/wear`))).then((wears) => {
    drawWear(wear, ...wears);
    fill($("wears"), ...wears.map((one, i) => el("p", {}, `Batch ${batches[i].number}: ${wearSentence(one)}`)));
  }, (error) => fill($("wears"), el("p", {}, error.message)));
  $("compare-title").focus({ preventScroll: true });
}

function table(batches, name) {
  const pecks = Math.max(...batches.map((one) => Math.max(0, ...one.rows.map((row) => row.peck))));
  const sag = (batch, peck) => median(batch.rows.filter((row) => row.peck === peck).map((row) => row.mean_sag_pct));
  const rate = (n, batch) => number(perHour(n, batch), 1);
  const rows = [
    ["Material", (one) => one.job?.material ?? ""],
    ["Speed", (one) => (one.job ? `${number(one.job.spindle_rpm, 0)} rpm` : "")],
    ["Pecks", (one) => (one.job ? schedule(one.job.pecks_mm) : "")],
    ["Blanks drilled", (one) => String(one.blanks)],
    ["Time a blank", (one) => sessionTime(cycle(one)) || "–"],
    ["Holds (an hour)", (one) => `${one.holds} (${rate(one.holds, one)})`],
    ["Warnings (an hour)", (one) => `${one.warnings} (${rate(one.warnings, one)})`],
    ["Most sag", (one) => { const most = one.rows.map((row) => row.max_sag_pct).filter((v) => v !== null); return most.length ? `${number(Math.max(...most), 1)} %` : "–"; }],
    ...Array.from({ length: pecks }, (_, i) => [`Sag of peck ${i + 1}`, (one) => { const value = sag(one, i + 1); return value === null ? "–" : `${number(value, 2)} %`; }]),
  ];
  return el("table", {},
    el("thead", {}, el("tr", {}, el("td", {}), ...batches.map((one) => el("th", { scope: "col" }, name(one))))),
    el("tbody", {}, ...rows.map(([words, value]) => el("tr", {}, el("th", { scope: "row" }, words), ...batches.map((one) => el("td", {}, value(one)))))));
}

function drawLike(box, batches) {
  const pecks = Math.max(0, ...batches.flatMap((one) => one.rows.map((row) => row.peck)));
  if (!pecks) { fill(box, el("p", { class: "quiet" }, "No peck was heard.")); return; }
  const numbers = Array.from({ length: pecks }, (_, i) => i + 1);
  const data = batches.map((one) => numbers.map((peck) => median(one.rows.filter((row) => row.peck === peck).map((row) => row.mean_sag_pct))));
  const most = Math.max(1, ...data.flat().filter((v) => v !== null));
  const points = (i) => ({ ...line(i ? "other" : "curve", 2, i ? [6, 3] : undefined), points: { show: true, size: 9, fill: () => colours[i ? "card" : "curve"], stroke: () => colours[i ? "other" : "curve"] } });
  shown.push(addChart(box, {
    x: () => [0.5, pecks + 0.5], y: () => [0, 1.15 * most], series: data.map((_, i) => points(i)), xAxis: { incrs: [1, 2, 5, 10, 20, 50] },
    xValues: (u, splits) => splits.map((v) => (Number.isInteger(v) ? String(v) : "")),
  }, [numbers, ...data]));
}

export function repaintCompare() { shown.forEach((chart) => chart.redraw()); }
