// The present peck's load against depth, over the pecks before it.
import { $, inUnits, number, text, units } from "./format.js";
import { addChart, colours, drawLevel } from "./charts.js";
import { shownLimits } from "./limits.js";

const KEPT = 80; // as the server keeps

let job = null;
let done = []; // {blank, peck, points: [[depth in mm, sag in %], ...]}
let present = null; // the peck under way, or the newest one
let underWay = false;
let chart = null;

export function clearPecks(newJob) { job = newJob; done = []; present = null; underWay = false; }
// The pecks that came whole with a new page; the newest is the present one until another begins.
export function givePecks(pecks) { pecks.forEach(addPeck); present = done.pop() ?? null; }
function addPeck(peck) { done.push(peck); if (done.length > KEPT) done.shift(); }

// One row of the curves: while a peck cuts, it has a depth.
export function takePeckRow(depth, sag, { blank, peck }) {
  if (depth === null) { underWay = false; return; }
  if (!underWay && !(present?.blank === blank && present?.peck === peck)) {
    if (present) addPeck(present);
    present = { blank, peck, points: [] };
  }
  underWay = true;
  if (sag !== null) present.points.push([depth, sag]);
}

function draw(u) {
  if (!job) return;
  const trace = (points, colour, width) => {
    u.ctx.strokeStyle = colour;
    u.ctx.lineWidth = width * devicePixelRatio;
    u.ctx.beginPath();
    points.forEach(([depth, sag], i) => {
      const [x, y] = [u.valToPos(inUnits(depth), "x", true), u.valToPos(sag, "y", true)];
      if (i) u.ctx.lineTo(x, y);
      else u.ctx.moveTo(x, y);
    });
    u.ctx.stroke();
  };
  u.ctx.save();
  u.ctx.beginPath();
  u.ctx.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height);
  u.ctx.clip();
  u.ctx.lineJoin = "round";
  const [warning, hold] = shownLimits();
  drawLevel(u, warning, colours["warning-ink"], [8, 5]);
  drawLevel(u, hold, colours["hold-ink"]);
  for (const peck of done) if (peck.blank !== present?.blank) trace(peck.points, colours.earlier, 1.5);
  for (const peck of done) if (peck.blank === present?.blank) trace(peck.points, colours.other, 2);
  if (present) trace(present.points, colours.curve, 3.5);
  u.ctx.restore();
}

function make() {
  const top = () => Math.max(4, 1.25 * Math.min(shownLimits()[1], 60), ...(present?.points.map((p) => p[1]) ?? []));
  chart = addChart($("peck-curve"), {
    x: () => [0, inUnits(job?.depth_mm ?? 30)], y: () => [-0.5, top()], series: [{ show: false }], over: draw,
    xValues: (u, splits) => splits.map((v) => number(v, units() === "in" ? 2 : 0)),
  }, [[0, 1], [null, null]]);
}

export function drawPecks() {
  if (!chart) make();
  text("peck-units", units());
  text("peck-words", present ? `peck ${present.peck} of blank ${present.blank}` : "no peck yet");
  chart.setData([[0, inUnits(job.depth_mm)], [null, null]]);
}
