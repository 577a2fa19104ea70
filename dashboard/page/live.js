// The live view: takes what the server says, keeps the last minute, and draws it.
import { $, dash, length, number, plural, sessionTime, setJobUnits, signed, text } from "./format.js";
import { WINDOW_S, addChart, colours, drawCutting, drawLevel, drawUpright, line } from "./charts.js";
import { Strip, decode, drawStrip } from "./spectrogram.js";
import { clearPecks, drawPecks, givePecks, takePeckRow } from "./pecks.js";
import { clearEvents, takeEvent } from "./events.js";
import { limitsInForce, placeLimits, shownLimits, takeLimits } from "./limits.js";
import { showBand } from "./band.js";
import { isLost } from "./connection.js";

const COLUMN_S = 0.1;
const CURVES_MS = 90; // curves are drawn ten times a second; the band and the figures at once

let job = null;
let fields = {};
let last = null; // the newest row
let state = null;
let dirty = false;
let drawnAt = 0;
let curve = emptyCurve();
let marks = []; // warnings and holds: {t, severity}
const strip = new Strip(Math.round((WINDOW_S + 4) / COLUMN_S));
const charts = [];

function emptyCurve() { return { t: [], speed: [], sag: [], cut: [], tone: [], cutting: [] }; }
export const theJob = () => job;
export const longestGap = () => curve.t.reduce((gap, t, i, all) => (i ? Math.max(gap, t - all[i - 1]) : 0), 0);

export function take(message) {
  if (message.fresh) begin(message);
  state = message.state;
  takeLimits(state.limits);
  // Of a new page only the peck under way is built from rows; those before it came whole.
  const depth = fields.depth_mm;
  const from = message.fresh ? message.rows.findLastIndex((row) => row[depth] === null) : 0;
  message.rows.forEach((row, i) => takeRow(row, i >= from));
  message.events.forEach((event) => {
    if (event.severity !== "info") marks.push({ t: event.t, severity: event.severity });
    if (event.severity === "hold") $("play-hold").hidden = false;
    takeEvent(event);
  });
  const columns = message.cursor[2];
  message.columns.forEach((column, i) => strip.push(decode(column), columns - message.columns.length + 1 + i));
  trim();
  dirty = true;
}

function begin(message) {
  job = message.job;
  fields = Object.fromEntries(message.fields.map((name, i) => [name, i]));
  curve = emptyCurve();
  marks = [];
  last = null;
  strip.clear();
  clearEvents();
  clearPecks(job);
  givePecks(message.pecks);
  setJobUnits(job.units);
  $("synthetic").hidden = !job.synthetic;
  $("listen").hidden = !message.can_listen;
  $("order-figure").hidden = job.top_order === null;
  showJob();
}

function takeRow(row, buildsPeck) {
  const at = (name) => row[fields[name]];
  last = row;
  curve.t.push(at("t"));
  curve.speed.push(at("speed_rpm"));
  curve.sag.push(at("sag_pct"));
  curve.cut.push(at("cut_level_db"));
  curve.tone.push(at("chatter_db"));
  curve.cutting.push(at("cutting"));
  if (buildsPeck) takePeckRow(at("depth_mm"), at("sag_pct"), state);
}

function trim() {
  const from = (curve.t.at(-1) ?? 0) - WINDOW_S;
  const first = curve.t.findIndex((t) => t >= from);
  if (first > 200) for (const name in curve) curve[name] = curve[name].slice(first);
  marks = marks.filter((mark) => mark.t >= from);
}

// ---- the figures

function showJob() {
  text("job", `${job.name}: ${plural(job.blanks, "blank")}, ${length(job.depth_mm)} deep, ${job.spindle_rpm.toFixed(0)} rpm`);
  text("peck-of", `of ${job.pecks_mm.length}`);
  text("blank-of", `of ${job.blanks}`);
}

function showFigures() {
  const live = state.live && last && !isLost(); // an old figure is not shown as if it were now
  const at = (name) => (live ? last[fields[name]] : null);
  const [speed, sag] = [at("speed_rpm"), at("sag_pct")];
  const [warning, hold] = shownLimits();
  text("speed", number(speed, 0));
  text("speed-of", speed === null ? "not known" : `${commanded(speed).toFixed(0)} commanded`);
  text("sag", number(sag, 1));
  text("sag-of", `warning ${warning} %, hold ${hold} %`);
  const box = $("sag").closest(".figure");
  box.classList.toggle("over-hold", sag !== null && sag >= hold);
  box.classList.toggle("over-warning", sag !== null && sag >= warning && sag < hold);
  text("blank", state.blank ? String(state.blank) : dash);
  const left = state.left_s === null || !live ? "" : `, ${sessionTime(roughly(state.left_s))} left`;
  text("blanks-done", `${state.blanks_done} done${left}`);
  text("peck", state.peck ? String(state.peck) : dash);
  text("peck-depth", peckDepth(state.peck));
  text("cutting", !live ? dash : at("cutting") ? "cutting" : "not cutting");
  text("cut-level", at("cut_level_db") === null ? "" : `sound ${signed(at("cut_level_db"))} dB`);
  text("level", number(at("level_db"), 0));
  text("confidence", at("speed_confidence") === null ? "" : `${(100 * at("speed_confidence")).toFixed(0)} % sure of speed`);
}

function roughly(s) { return s < 120 ? 5 * Math.round(s / 5) : 30 * Math.round(s / 30); } // it is an estimate

function commanded(speed) { // whichever step of the job this is
  const spot = job.spot_rpm ?? job.spindle_rpm;
  return Math.abs(speed - spot) < Math.abs(speed - job.spindle_rpm) ? spot : job.spindle_rpm;
}

function peckDepth(peck) {
  if (!peck) return "";
  const to = job.pecks_mm.slice(0, peck).reduce((sum, mm) => sum + mm, 0);
  return `to ${length(to)} of ${length(job.depth_mm)}`;
}

// ---- the curves

const now = () => curve.t.at(-1) ?? 0;
const lastMinute = () => [now() - WINDOW_S, now()];

function drawMarks(u) {
  for (const mark of marks) drawUpright(u, mark.t, mark.severity === "hold" ? colours["hold-ink"] : colours["warning-ink"]);
}

function makeCharts() {
  // By the limits in force, so that the scale stands still under a finger that moves one of them.
  const sagTop = () => Math.max(6, Math.min(60, Math.max(1.5 * limitsInForce()[1], 1.1 * shownLimits()[1])));
  const add = (id, y, series, data, under, more = {}) => {
    const chart = addChart($(id), { x: lastMinute, y, series, under: (u) => { if (job) { u.ctx.save(); under(u); u.ctx.restore(); } }, ...more }, data());
    charts.push({ chart, data, box: $(id) });
  };
  add("sag-curve", () => [-sagTop() / 6, sagTop()], [line()], () => [curve.t, curve.sag], (u) => {
    const [warning, hold] = shownLimits();
    drawCutting(u, curve.t, curve.cutting);
    drawLevel(u, warning, colours["warning-ink"], [8, 5]);
    drawLevel(u, hold, colours["hold-ink"]);
    drawMarks(u);
    placeLimits(u);
  }, { sized: placeLimits });
  const speedTop = () => 1.15 * (job ? Math.max(job.spindle_rpm, job.spot_rpm ?? 0) : 1000);
  add("speed-curve", () => [0, speedTop()], [line()], () => [curve.t, curve.speed], (u) => {
    drawLevel(u, job.spindle_rpm, colours.commanded, [6, 5]);
    if (job.spot_rpm) drawLevel(u, job.spot_rpm, colours.commanded, [2, 5]);
    drawMarks(u);
  });
  const soundTop = () => Math.max(24, 4 * Math.ceil(highest(curve.cut, curve.tone) / 4));
  add("sound-curve", () => [-4, soundTop()], [line("curve"), line("other", 2, [6, 3])], () => [curve.t, curve.cut, curve.tone], (u) => {
    drawCutting(u, curve.t, curve.cutting);
    drawMarks(u);
  });
}

function highest(...columns) {
  let most = 0;
  for (const column of columns) for (const value of column) if (value > most) most = value;
  return most;
}

function drawOrders() {
  const [from, to] = lastMinute();
  drawStrip($("orders"), strip, { from, to, step: COLUMN_S, top: job.top_order, marks: job.lines });
}

export function repaint() { strip.repaint(); dirty = true; drawnAt = 0; }

function visible() { return document.body.dataset.view === "live" && !document.hidden; }

function draw(at) {
  requestAnimationFrame(draw);
  if (!dirty || !job) return;
  if (state) {
    showBand(state, last !== null);
    showFigures();
  }
  if (at - drawnAt < CURVES_MS) return;
  drawnAt = at;
  dirty = false;
  if (!visible()) return;
  for (const { chart, data } of charts) chart.setData(data());
  if (job.top_order !== null) drawOrders();
  drawPecks();
}

export function showLost() {
  showBand();
  if (state) showFigures();
}

// ---- listening

async function listen(path) {
  const audio = $("audio");
  audio.src = `${path}?at=${Date.now()}`; // another address each time: the sound has moved on
  audio.hidden = false;
  try { await audio.play(); text("audio-answer", ""); } catch { text("audio-answer", "There is no sound to play yet."); }
}

export function beginLive() {
  makeCharts();
  $("play").addEventListener("click", () => listen("/api/sound.wav"));
  $("play-hold").addEventListener("click", () => listen("/api/hold.wav"));
  document.addEventListener("units", () => { if (job) { showJob(); dirty = true; drawnAt = 0; } });
  requestAnimationFrame(draw);
}
