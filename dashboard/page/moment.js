// One warning or hold: its sound, what was measured around it, and what a person says of it.
import { $, date, el, fill, kindName, number, severitySign, text, whereabouts } from "./format.js";
import { addChart, colours, drawCutting, drawLevel, drawLimits, drawUpright, drawWords, line } from "./charts.js";
import { Strip, decode, drawStrip, ROWS } from "./spectrogram.js";
import { Refused, get, may, post } from "./server.js";

let shown = null;

export async function showMoment(number_) {
  fill($("moment"), el("p", { class: "quiet" }, "Loading."));
  try {
    const [moment, more] = await load(number_);
    build(moment, more);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    fill($("moment"), el("p", { role: "alert" }, error.message));
  }
}

async function load(number_) {
  const moment = await get(`/api/events/${number_}`);
  const batch = await get(`/api/batches/${moment.event.batch}`);
  const alarms = batch.events.filter((event) => event.severity !== "info");
  const at = alarms.findIndex((event) => event.number === moment.event.number);
  return [moment, { batch, before: alarms[at - 1], after: alarms[at + 1] }];
}

function build(moment, { batch, before, after }) {
  const { event } = moment;
  shown = { moment, charts: [] };
  const link = (other, words) => (other ? el("a", { href: `#/hold/${other.number}`, class: "button" }, words) : null);
  const audio = event.clip ? el("audio", { controls: true, preload: "auto", src: `/api/events/${event.number}/clip.flac`, "aria-label": "The sound around it" }) : null;
  const sag = el("div", { class: "curve tall", role: "img", "aria-label": described(moment) });
  const speed = el("div", { class: "curve", role: "img", "aria-label": "Curve of the spindle's speed around the event." });
  const sound = el("div", { class: "curve", role: "img", "aria-label": "Curves of the cutting sound and of other tones around the event." });
  const canvas = moment.picture ? el("canvas", { class: "orders", role: "img", "aria-label": "Spectrogram of the sound by orders of the rotation." }) : null;
  fill($("moment"), 
    el("nav", { class: "row", "aria-label": "Holds and warnings" }, el("a", { href: `#/holds/${event.batch}`, class: "button" }, "All of this batch"), link(before, "The one before"), link(after, "The next one")),
    el("h2", { tabindex: -1, id: "moment-title", class: `title ${event.severity}` }, severitySign(event.severity), `${kindName(event.kind)}: ${event.severity}`),
    el("p", { class: "why" }, event.message),
    el("p", { class: "quiet" }, [date(event.at), batch.job?.name, `batch ${event.batch}`, whereabouts(event), `decided at ${number(event.t, 2)} s`,
      event.onset_t === null ? "" : `began about ${number(event.t - event.onset_t, 1)} s before`].filter(Boolean).join(", ")),
    audio ?? el("p", { class: "quiet" }, "No sound of it was kept."),
    el("div", { class: "curves" },
      figure("Sag in %, slower is up", sag, key("cut", "cutting"), key("limit", "crossing")),
      figure("Speed in rpm", speed, key("commanded", "commanded")),
      figure("Sound in dB", sound, key("solid", "cutting, over the idle machine"), key("other", "strongest other tone, over its surroundings")),
      canvas ? figure("Spectrogram by orders (times the rotation)", canvas, moment.picture.lines.length ? key("line", "lines learned from this spindle") : null) : null),
    verdictForm(event),
  );
  draw(moment, batch, { sag, speed, sound, canvas, audio });
  $("moment-title").focus({ preventScroll: true });
}

function figure(title, content, ...keys) { return el("figure", {}, el("figcaption", {}, title, ...keys), content); }
function key(kind, words) { return el("span", { class: "key" }, el("i", { class: `key-${kind}` }), words); }

function described({ event, limits }) {
  const crossing = event.value !== null && event.limit !== null ? ` The event's value was ${number(event.value, 1)} ${event.unit} at a limit of ${number(event.limit, 1)} ${event.unit}.` : "";
  return `Curve of sag around the event, with the limits of ${limits.map((l) => `${l} %`).join(" and ")}.${crossing}`;
}

// Where the curve first went over the limit on its way to the event: between two rows, by a straight line.
export function crossing(t, values, limit, eventT) {
  if (limit === undefined || limit === null) return null;
  let at = null;
  for (let i = 1; i < t.length && t[i] <= eventT + 1e-6; i += 1) {
    const [a, b] = [values[i - 1], values[i]];
    if (a === null || b === null) continue;
    if (a < limit && b >= limit) at = t[i - 1] + ((limit - a) / (b - a)) * (t[i] - t[i - 1]);
  }
  return at;
}

function draw(moment, batch, { sag, speed, sound, canvas, audio }) {
  const { event, limits, start_s: from, end_s: to } = moment;
  const column = (name) => moment.rows.map((row) => row[moment.fields.indexOf(name)]);
  const t = column("t");
  const [sags, cutting] = [column("sag_pct"), column("cutting")];
  const x = () => [from, to];
  const xValues = (u, splits) => splits.map((s) => `${number(s - event.t, 0)} s`);
  const xAxis = { splits: (u, i, low, high, step) => splitsAround(event.t, low, high, Math.max(1, Math.ceil(step))) };
  const { limit, at: crossed } = firstCrossed(t, sags, limits, event);
  const under = (levels) => (u) => {
    u.ctx.save();
    levels(u);
    drawUpright(u, event.t, event.severity === "hold" ? colours["hold-ink"] : colours["warning-ink"], 2);
    if (audio && !audio.paused) drawUpright(u, from + audio.currentTime, colours.ink, 2);
    u.ctx.restore();
  };
  const mark = (u) => {
    const colour = event.severity === "hold" ? colours["hold-ink"] : colours["warning-ink"];
    u.ctx.save();
    const write = (words, row) => drawWords(u, words, u.bbox.left + u.bbox.width - 4 * devicePixelRatio, u.bbox.top + 18 * (row + 1) * devicePixelRatio, colour, "right");
    write(event.severity === "hold" ? "held at 0 s" : "warned at 0 s", 0);
    if (crossed !== null) {
      const [cx, cy] = [u.valToPos(crossed, "x", true), u.valToPos(limit, "y", true)];
      u.ctx.beginPath();
      u.ctx.arc(cx, cy, 6 * devicePixelRatio, 0, 2 * Math.PI);
      u.ctx.lineWidth = 3 * devicePixelRatio;
      u.ctx.strokeStyle = colour;
      u.ctx.stroke();
      write(`${number(limit, 1)} % crossed ${number(event.t - crossed, 2)} s before`, 1);
    }
    u.ctx.restore();
  };
  const top = Math.max(1.5 * (limits[1] ?? 8), 1.1 * Math.min(60, Math.max(0, ...sags.filter((v) => v !== null))));
  const add = (box, options, data) => shown.charts.push(addChart(box, { x, xValues, xAxis, ...options }, data));
  add(sag, { y: () => [-top / 6, top], series: [line()], over: mark, under: under((u) => {
    drawCutting(u, t, cutting);
    if (limits.length) { drawLimits(u, limits); }
  }) }, [t, sags]);
  const speeds = column("speed_rpm");
  const fastest = 1.15 * Math.max(batch.job?.spindle_rpm ?? 0, ...speeds.filter((v) => v !== null), 100);
  add(speed, { y: () => [0, fastest], series: [line()], under: under((u) => { if (batch.job) drawLevel(u, batch.job.spindle_rpm, colours.commanded, [6, 5]); }) }, [t, speeds]);
  const [cut, tone] = [column("cut_level_db"), column("chatter_db")];
  const loudest = Math.max(24, ...cut, ...tone);
  add(sound, { y: () => [-4, loudest], series: [line(), line("other", 2, [6, 3])], under: under((u) => drawCutting(u, t, cutting)) }, [t, cut, tone]);
  if (canvas) drawPicture(moment, canvas, audio);
  if (audio) followAlong(audio, moment, canvas);
}

// Of a hold the limit that holds, where it was crossed; else the one that warns: packed chips hold before the sag does.
function firstCrossed(t, sags, limits, event) {
  for (const limit of event.severity === "hold" ? [limits[1], limits[0]] : [limits[0]]) {
    const at = crossing(t, sags, limit, event.t);
    if (at !== null) return { limit, at };
  }
  return { limit: null, at: null };
}

function splitsAround(zero, low, high, step) {
  const splits = [];
  for (let s = zero + Math.ceil((low - zero) / step) * step; s <= high; s += step) splits.push(s);
  return splits;
}

function drawPicture(moment, canvas, audio) {
  const { picture, event } = moment;
  const levels = decode(picture.columns);
  const strip = new Strip(Math.max(1, levels.length / ROWS));
  for (let i = 0; i < levels.length / ROWS; i += 1) strip.push(levels.subarray(i * ROWS, (i + 1) * ROWS), i + 1);
  const zero = event.t - picture.start_s;
  const paint = () => drawStrip(canvas, strip, {
    from: 0, to: moment.end_s - moment.start_s, step: picture.step_s, top: picture.top_order, marks: picture.lines, zero,
    words: (s) => `${number(s - zero, 0)} s`, cursor: audio && !audio.paused ? audio.currentTime : zero,
  });
  shown.paint = () => { strip.repaint(); paint(); };
  shown.follow = paint;
  new ResizeObserver(paint).observe(canvas);
}

function followAlong(audio, moment, canvas) {
  const mine = shown;
  const step = () => {
    if (shown !== mine) { audio.pause(); return; }
    mine.charts.forEach((chart) => chart.redraw(false));
    mine.follow?.();
    if (!audio.paused) requestAnimationFrame(step);
  };
  for (const name of ["play", "seeked", "pause"]) audio.addEventListener(name, step);
}

function verdictForm(event) {
  const said = event.verdict;
  const choice = (value, words) => el("label", { class: "choice" },
    el("input", { type: "radio", name: "verdict", value, checked: said?.verdict === value, required: true }), el("span", {}, words));
  const answer = el("p", { role: "status", class: "quiet", id: "verdict-answer" },
    said ? `Judged ${date(said.at)} (${said.by}).` : may.operate ? "Not judged yet." : "Not judged yet. Only an operator can.");
  const save = async (e) => {
    e.preventDefault();
    const given = new FormData(e.target);
    try {
      await post(`/api/events/${event.number}/verdict`, { verdict: given.get("verdict"), note: given.get("note") ?? "" });
      text("verdict-answer", "Kept. It counts when thresholds are tuned.");
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      text("verdict-answer", error.message);
    }
  };
  return el("form", { class: "card", onsubmit: save },
    el("fieldset", { disabled: !may.operate },
      el("legend", {}, "What was it?"),
      el("div", { class: "row" }, choice("real", "Real: it had to be held or told"), choice("false", "False: the work was sound"), choice("unsure", "Unsure")),
      el("label", { class: "note" }, "Note", el("textarea", { name: "note", rows: 2, maxlength: 2000 }, said?.note ?? "")),
      el("button", { type: "submit" }, "Keep this verdict")),
    answer);
}

export function repaintMoment() { shown?.charts.forEach((chart) => chart.redraw()); shown?.paint?.(); }
export function leaveMoment() { shown = null; fill($("moment")); }
