// Curves: what every chart of the page has in common, on uPlot.
import { el, sessionTime } from "./format.js";

export const WINDOW_S = 60; // of signal, in the live curves
const FONT = "system-ui, 'DejaVu Sans', sans-serif";

export const colours = {};
const NAMES = ["ink", "quiet", "rule", "curve", "cut", "commanded", "warning-ink", "hold-ink", "card", "earlier", "other", "mark"];

export function readColours() {
  const style = getComputedStyle(document.documentElement);
  for (const name of NAMES) colours[name] = style.getPropertyValue(`--${name}`).trim();
}

export function rem() { return parseFloat(getComputedStyle(document.documentElement).fontSize); }
export function canvasFont(weight = 400, size = 0.8) { return `${weight} ${size * rem() * devicePixelRatio}px ${FONT}`; }

export const AXIS_REM = 2.75; // width of every vertical axis, and of the space at the right, so that pictures
export const RIGHT_REM = 1; // above each other line up

// options: x and y give a range each; xValues turns splits into words; series, draw as uPlot has them.
export function addChart(box, options, data) {
  if (!window.uPlot) {
    box.append(el("p", {}, "The part that draws curves is missing: install the package with pip, which brings it in."));
    return { setData() {}, redraw() {} };
  }
  const size = rem();
  const axis = {
    stroke: () => colours.quiet, font: `${0.8 * size}px ${FONT}`, ticks: { show: false },
    grid: { stroke: () => colours.rule, width: 1 },
  };
  const xValues = options.xValues ?? ((u, splits) => splits.map(sessionTime));
  const chart = new window.uPlot({
    width: 300, height: 150, legend: { show: false }, padding: [8, RIGHT_REM * size, 0, 0],
    cursor: { show: false },
    scales: { x: { time: false, range: options.x }, y: { range: options.y } },
    axes: [
      { ...axis, size: 1.6 * size, space: 4 * size, values: xValues, ...(options.xAxis ?? {}) },
      { ...axis, size: AXIS_REM * size, space: 1.75 * size, incrs: options.yIncrs ?? [0.1, 0.2, 0.5, 1, 2, 4, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000] },
    ],
    series: [{}, ...options.series],
    hooks: { drawAxes: options.under ? [options.under] : [], draw: options.over ? [options.over] : [], setSize: options.sized ? [options.sized] : [] },
  }, data, box);
  const resize = () => { if (box.clientWidth && box.clientHeight) chart.setSize({ width: box.clientWidth, height: box.clientHeight }); };
  new ResizeObserver(resize).observe(box);
  return chart;
}

export function line(colour = "curve", width = 2, dash) {
  return { stroke: () => colours[colour], width, dash, points: { show: false }, spanGaps: false };
}

// ---- drawing on a chart's canvas

// Both thresholds, each with its name; the names do not meet where the lines are close.
export function drawLimits(u, [warning, hold]) {
  drawLevel(u, warning, colours["warning-ink"], [8, 5], `warning ${warning} %`);
  drawLevel(u, hold, colours["hold-ink"], [], `hold ${hold} %`, 7.5 * rem());
}

export function drawLevel(u, value, colour, dashes = [], label = "", indent = 0) {
  const y = Math.round(u.valToPos(value, "y", true));
  const { left, width, top, height } = u.bbox;
  if (y < top || y > top + height) return;
  u.ctx.strokeStyle = colour;
  u.ctx.lineWidth = 2 * devicePixelRatio;
  u.ctx.setLineDash(dashes.map((d) => d * devicePixelRatio));
  u.ctx.beginPath();
  u.ctx.moveTo(left, y);
  u.ctx.lineTo(left + width, y);
  u.ctx.stroke();
  u.ctx.setLineDash([]);
  if (label) drawWords(u, label, left + (indent + 6) * devicePixelRatio, y - 3 * devicePixelRatio, colour);
}

export function drawWords(u, words, x, y, colour, align = "left") {
  u.ctx.font = canvasFont(600);
  u.ctx.textAlign = align;
  u.ctx.textBaseline = "bottom";
  u.ctx.lineWidth = 4 * devicePixelRatio;
  u.ctx.lineJoin = "round";
  u.ctx.strokeStyle = colours.card; // a rim, so that a curve behind does not cut through the words
  u.ctx.strokeText(words, x, y);
  u.ctx.fillStyle = colour;
  u.ctx.fillText(words, x, y);
}

export function drawUpright(u, t, colour, width = 1) {
  const x = u.valToPos(t, "x", true);
  const { left, top, width: w, height } = u.bbox;
  if (x < left || x > left + w) return;
  u.ctx.strokeStyle = colour;
  u.ctx.lineWidth = width * devicePixelRatio;
  u.ctx.beginPath();
  u.ctx.moveTo(x, top);
  u.ctx.lineTo(x, top + height);
  u.ctx.stroke();
}

// A bar along the bottom wherever the drill cuts.
export function drawCutting(u, t, cutting) {
  const { left, top, width, height } = u.bbox;
  const thick = 0.45 * rem() * devicePixelRatio;
  u.ctx.fillStyle = colours.cut;
  let from = null;
  for (let i = 0; i <= t.length; i += 1) {
    const on = i < t.length && cutting[i];
    if (on && from === null) from = t[i];
    if (!on && from !== null) {
      const x0 = Math.max(left, u.valToPos(from, "x", true));
      const x1 = Math.min(left + width, u.valToPos(t[i - 1], "x", true));
      if (x1 > x0) u.ctx.fillRect(x0, top + height - thick, x1 - x0, thick);
      from = null;
    }
  }
}
