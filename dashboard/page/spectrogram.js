// The sound by orders: one column a tenth of a second, darker (in the dark: lighter) is louder.
import { AXIS_REM, RIGHT_REM, canvasFont, colours, rem } from "./charts.js";
import { sessionTime } from "./format.js";

export const ROWS = 160;

// A level of 0 to 255 as a colour between the card and the ink, by way of a blue that keeps lightness in order.
let shades = null;

function parse(text) {
  const c = text.startsWith("#") ? text.slice(1).match(/../g).map((h) => parseInt(h, 16)) : text.match(/\d+/g).map(Number);
  return c.slice(0, 3);
}

export function readShades() {
  const style = getComputedStyle(document.documentElement);
  const stops = ["--shade-0", "--shade-1", "--shade-2", "--shade-3"].map((name) => parse(style.getPropertyValue(name).trim()));
  shades = new Uint8ClampedArray(256 * 4);
  for (let i = 0; i < 256; i += 1) {
    const at = (i / 255) * (stops.length - 1);
    const k = Math.min(stops.length - 2, Math.floor(at));
    for (let c = 0; c < 3; c += 1) shades[4 * i + c] = stops[k][c] + (at - k) * (stops[k + 1][c] - stops[k][c]);
    shades[4 * i + 3] = 255;
  }
}

export function decode(base64) {
  const bytes = atob(base64);
  return Uint8Array.from(bytes, (c) => c.charCodeAt(0));
}

// A strip of columns that is written to in a ring and drawn in two pieces.
export class Strip {
  constructor(columns) {
    this.n = columns;
    this.levels = []; // kept for another colour scheme
    this.canvas = new OffscreenCanvas(columns, ROWS);
    this.ctx = this.canvas.getContext("2d");
    this.count = 0; // columns since the beginning of the session
    this.first = 0; // the first that was given
  }

  clear() {
    this.levels = [];
    this.count = this.first = 0;
    this.ctx.clearRect(0, 0, this.n, ROWS);
  }

  push(levels, count) {
    if (!this.levels.length) this.first = count - 1;
    this.count = count;
    this.levels.push(levels);
    if (this.levels.length > this.n) this.levels.shift();
    this.paint(count - 1, levels);
  }

  paint(index, levels) {
    const image = this.ctx.createImageData(1, ROWS);
    for (let row = 0; row < ROWS; row += 1) {
      const from = 4 * levels[ROWS - 1 - row]; // the highest order is on top
      for (let c = 0; c < 4; c += 1) image.data[4 * row + c] = shades[from + c];
    }
    this.ctx.putImageData(image, index % this.n, 0);
  }

  repaint() {
    this.levels.forEach((levels, i) => this.paint(this.count - this.levels.length + i, levels));
  }
}

// Draws a strip between two times, `step` seconds a column, the first column beginning at 0. top: order at the
// upper edge; marks: orders to be marked; cursor: a time to be marked; words, zero: how times are told, and
// from where they are counted.
export function drawStrip(canvas, strip, { from, to, step, top, marks, cursor, words = sessionTime, zero = 0 }) {
  const ratio = devicePixelRatio;
  const [w, h] = [Math.round(canvas.clientWidth * ratio), Math.round(canvas.clientHeight * ratio)];
  if (!w || !h) return;
  if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
  const ctx = canvas.getContext("2d");
  const size = rem() * ratio;
  const box = { left: AXIS_REM * size, top: 0.5 * size, right: w - RIGHT_REM * size, bottom: h - 1.6 * size };
  ctx.clearRect(0, 0, w, h);
  ctx.fillStyle = `rgb(${shades[0]} ${shades[1]} ${shades[2]})`;
  ctx.fillRect(box.left, box.top, box.right - box.left, box.bottom - box.top);
  const x = (t) => box.left + ((t - from) / (to - from)) * (box.right - box.left);
  const y = (order) => box.bottom - (order / top) * (box.bottom - box.top);
  ctx.save();
  ctx.beginPath();
  ctx.rect(box.left, box.top, box.right - box.left, box.bottom - box.top);
  ctx.clip();
  ctx.imageSmoothingEnabled = false;
  const oldest = Math.max(strip.count - strip.levels.length, Math.floor(from / step) - 1);
  for (let begin = oldest; begin < strip.count;) {
    const end = Math.min(strip.count, (Math.floor(begin / strip.n) + 1) * strip.n);
    const [x0, x1] = [x(begin * step), x(end * step)];
    ctx.drawImage(strip.canvas, begin % strip.n, 0, end - begin, ROWS, x0, box.top, x1 - x0, box.bottom - box.top);
    begin = end;
  }
  ctx.restore();
  drawFrame(ctx, box, { x, y, from, to, top, marks, size, words, zero });
  if (cursor !== undefined && cursor >= from && cursor <= to) {
    ctx.fillStyle = colours["hold-ink"];
    ctx.fillRect(x(cursor) - ratio, box.top, 2 * ratio, box.bottom - box.top);
  }
}

function drawFrame(ctx, box, { x, y, from, to, top, marks, size, words, zero }) {
  ctx.font = canvasFont();
  ctx.fillStyle = colours.quiet;
  ctx.textAlign = "right";
  ctx.textBaseline = "middle";
  const stepY = nice((top * 1.75 * size) / (box.bottom - box.top));
  for (let order = 0; order <= top; order += stepY) ctx.fillText(String(order), box.left - 0.4 * size, y(order));
  ctx.textAlign = "center";
  ctx.textBaseline = "top";
  const stepX = nice(((to - from) * 4 * size) / (box.right - box.left), [1, 2, 5, 10, 15, 30, 60]);
  for (let t = zero + Math.ceil((from - zero) / stepX) * stepX; t <= to; t += stepX) ctx.fillText(words(t), x(t), box.bottom + 0.35 * size);
  // Learned lines: a short bar at either end of where they are, as the picture itself shows how they run.
  ctx.fillStyle = colours.mark;
  for (const order of marks ?? []) {
    const at = y(order);
    ctx.fillRect(box.left, at - devicePixelRatio, 0.7 * size, 2 * devicePixelRatio);
    ctx.fillRect(box.right - 0.7 * size, at - devicePixelRatio, 0.7 * size, 2 * devicePixelRatio);
  }
}

function nice(least, steps = [1, 2, 5, 10, 20, 25, 50, 100, 200, 500]) { return steps.find((step) => step >= least) ?? steps.at(-1); }
