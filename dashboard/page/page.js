// The page's behaviour: one WebSocket in, a few POSTs out. Units are converted only when shown.
const WINDOW_S = 60; // of signal, in the curves
const LOST_AFTER_MS = 1500; // the server speaks at least every 500 ms
const RETRY_MS = [250, 500, 1000, 2000];
const COUNTED = new Set(["peck_start", "peck_end", "spot_start", "spot_end"]); // the counters show these
const SHAPES = { "ALL WELL": "well", LOOK: "look", HELD: "held", "NO DATA": "no-data", STOPPED: "stopped" };

const $ = (id) => document.getElementById(id);
const text = (id, value) => { const e = $(id); if (e.textContent !== value) e.textContent = value; };
const dash = "–";

let job = null;
let run = "";
let cursor = [0, 0];
let fields = {};
let curve = emptyCurve();
let marks = []; // warnings and holds: {t, severity}
let last = null; // the newest row, by field name
let state = null; // as the server last said
let lastMessageAt = -Infinity;
let lastServerTime = 0;
let lost = true;
let dirty = false;

function emptyCurve() { return { t: [], speed: [], sag: [], cutting: [] }; }
function clock(epoch) { return new Date(epoch * 1000).toLocaleTimeString(undefined, { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" }); }
function number(value, digits) { return value === null || value === undefined ? dash : value.toFixed(digits).replace("-", "\u2212").replace(/^\u2212(0(\.0*)?)$/, "$1"); }
function signed(value) { return (value >= 0.5 ? "+" : "") + number(value, 0); }
function length(mm) { return job.units === "in" ? `${(mm / 25.4).toFixed(2)} in` : `${mm.toFixed(mm < 10 ? 1 : 0)} mm`; }

// ---- the connection

let socket = null;
let attempt = 0;

function connect() {
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  socket = new WebSocket(`${scheme}://${location.host}/api/live?run=${run}&rows=${cursor[0]}&events=${cursor[1]}`);
  socket.onmessage = (message) => { attempt = 0; take(JSON.parse(message.data)); };
  socket.onclose = () => {
    setTimeout(connect, RETRY_MS[Math.min(attempt, RETRY_MS.length - 1)]);
    attempt += 1;
    lastMessageAt = -Infinity;
    watch();
  };
}

function watch() {
  const nowLost = performance.now() - lastMessageAt > LOST_AFTER_MS;
  if (nowLost && socket && socket.readyState === WebSocket.OPEN && performance.now() - lastMessageAt > 8000 && lastMessageAt > 0) {
    socket.close(); // open but silent: the other end is gone without a word
  }
  if (nowLost !== lost) { lost = nowLost; showBand(); if (state) showFigures(); }
}

function take(message) {
  lastMessageAt = performance.now();
  if (message.fresh) {
    job = message.job;
    fields = Object.fromEntries(message.fields.map((name, i) => [name, i]));
    curve = emptyCurve();
    marks = [];
    last = null;
    $("events").replaceChildren();
    showJob(message.can_listen);
  }
  run = message.run;
  cursor = message.cursor;
  state = message.state;
  lastServerTime = state.now;
  message.rows.forEach(takeRow);
  message.events.forEach(takeEvent);
  trim();
  lost = false;
  dirty = true;
}

function takeRow(row) {
  const at = (name) => row[fields[name]];
  last = row;
  curve.t.push(at("t"));
  curve.speed.push(at("speed_rpm"));
  curve.sag.push(at("sag_pct"));
  curve.cutting.push(at("cutting"));
}

function trim() {
  const from = (curve.t.at(-1) ?? 0) - WINDOW_S;
  const first = curve.t.findIndex((t) => t >= from);
  if (first > 200) for (const name in curve) curve[name] = curve[name].slice(first);
  marks = marks.filter((mark) => mark.t >= from);
}

// ---- the band

let announced = "";

function showBand() {
  const word = lost ? "NO DATA" : state.word;
  const band = $("band");
  if (band.dataset.word !== word) {
    band.dataset.word = word;
    text("word", word);
    $("shape").setAttribute("href", `#shape-${SHAPES[word]}`);
    document.title = `${word}: spindlebell`;
  }
  if (lost) {
    text("why", state ? `No data since ${clock(lastServerTime)}.` : "Waiting for the server.");
    text("todo", state ? `Look at the machine yourself. Last known: ${state.word}. Trying to reach the server again.` : "");
    text("since", "");
  } else {
    const stopped = word === "NO DATA" && last;
    text("why", stopped ? `No data since ${clock(state.since)}. ${state.why}` : state.why);
    text("todo", state.todo);
    text("since", stopped ? "" : `Since ${clock(state.since)}`);
  }
  document.body.classList.toggle("lost", word === "NO DATA");
  $("stale").hidden = !(word === "NO DATA" && last);
  text("stale", `Old curves, until ${clock(lost ? lastServerTime : state?.since ?? 0)}`);
  showActions(word);
  announce(word);
}

function showActions(word) {
  const held = !lost && state.hold !== null;
  const unseen = !lost && state.unacknowledged > 0;
  $("actions").hidden = !(held || unseen);
  $("acknowledge").hidden = !unseen;
  $("reset").hidden = !held;
  if (!held) letGo();
  if (!held && !unseen) text("answer", "");
  text("refusal", held && state.refusal ? `Not yet: ${state.refusal}.` : "");
}

function announce(word) {
  const why = $("why").textContent;
  const key = word === "HELD" || word === "LOOK" ? `${word}. ${why}` : word;
  if (key === announced) return;
  announced = key;
  const calm = word === "ALL WELL" || word === "STOPPED";
  text("state-voice", calm ? `${word}. ${why}` : "");
  text("alarm-voice", calm ? "" : `${word}. ${why} ${$("todo").textContent}`);
}

// ---- the figures

function showJob(canListen) {
  $("synthetic").hidden = !job.synthetic;
  $("listen").hidden = !canListen;
  text("job", `${job.name}: ${job.blanks} blanks, ${length(job.depth_mm)} deep, ${job.spindle_rpm.toFixed(0)} rpm`);
  text("sag-of", `warning ${job.sag_warning_pct} %, hold ${job.sag_hold_pct} %`);
  text("blank-of", `of ${job.blanks}`);
  text("peck-of", `of ${job.pecks_mm.length}`);
}

function showFigures() {
  const live = state.live && last && !lost; // an old figure is not shown as if it were now
  const at = (name) => (live ? last[fields[name]] : null);
  const speed = at("speed_rpm");
  const sag = at("sag_pct");
  text("speed", number(speed, 0));
  text("speed-of", speed === null ? "not known" : `${commanded(speed).toFixed(0)} commanded`);
  text("sag", number(sag, 1));
  const box = $("sag").closest(".figure");
  box.classList.toggle("over-hold", sag !== null && sag >= job.sag_hold_pct);
  box.classList.toggle("over-warning", sag !== null && sag >= job.sag_warning_pct && sag < job.sag_hold_pct);
  text("blank", state.blank ? String(state.blank) : dash);
  text("blanks-done", `${state.blanks_done} done`);
  text("peck", state.peck ? String(state.peck) : dash);
  text("peck-depth", peckDepth(state.peck));
  text("cutting", !live ? dash : at("cutting") ? "cutting" : "not cutting");
  text("cut-level", at("cut_level_db") === null ? "" : `sound ${signed(at("cut_level_db"))} dB`);
  text("level", number(at("level_db"), 0));
  text("confidence", at("speed_confidence") === null ? "" : `${(100 * at("speed_confidence")).toFixed(0)} % sure of speed`);
}

function commanded(speed) { // whichever step of the job this is
  const spot = job.spot_rpm ?? job.spindle_rpm;
  return Math.abs(speed - spot) < Math.abs(speed - job.spindle_rpm) ? spot : job.spindle_rpm;
}

function peckDepth(peck) {
  if (!peck) return "";
  const to = job.pecks_mm.slice(0, peck).reduce((sum, mm) => sum + mm, 0);
  return `to ${length(to)} of ${length(job.depth_mm)}`;
}

// ---- the events

function takeEvent(event) {
  if (event.severity !== "info") marks.push({ t: event.t, severity: event.severity });
  if (event.severity === "hold") $("play-hold").hidden = false;
  if (COUNTED.has(event.kind)) return;
  const item = document.createElement("li");
  item.className = event.severity;
  const time = document.createElement("time");
  time.textContent = clock(event.at);
  const what = document.createElement("span");
  what.className = "what";
  what.textContent = event.message;
  const where = document.createElement("span");
  where.className = "where";
  where.textContent = whereabouts(event);
  item.append(time, severityShape(event.severity), what, where);
  const list = $("events");
  list.prepend(item);
  while (list.childElementCount > 200) list.lastElementChild.remove();
  $("no-events").hidden = true;
}

function severityShape(severity) {
  const shape = { warning: "look", hold: "held" }[severity];
  if (!shape) return document.createElement("span");
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", severity);
  const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
  use.setAttribute("href", `#shape-${shape}`);
  svg.append(use);
  return svg;
}

function whereabouts(event) {
  if (event.severity === "info" || !event.blank) return "";
  const parts = [`blank ${event.blank}`];
  if (event.peck) parts.push(`peck ${event.peck}`);
  if (event.depth_mm !== null) parts.push(`at ${length(event.depth_mm)}`);
  return parts.join(", ");
}

// ---- the curves

const FONT = "system-ui, 'DejaVu Sans', sans-serif";
const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
const charts = [];
let colours = {};

function readColours() {
  const style = getComputedStyle(document.documentElement);
  for (const name of ["ink", "quiet", "rule", "curve", "cut", "commanded", "warning-ink", "hold-ink", "card"]) {
    colours[name] = style.getPropertyValue(`--${name}`).trim();
  }
}

function sessionTime(s) {
  if (s < 0) return "";
  return `${Math.floor(s / 60)}:${String(Math.round(s % 60)).padStart(2, "0")}`;
}

function chartOptions(range, series, draw) {
  const font = `${0.8 * rem}px ${FONT}`;
  const axis = { stroke: () => colours.quiet, font, grid: { stroke: () => colours.rule, width: 1 }, ticks: { show: false } };
  return {
    width: 300, height: 150, legend: { show: false }, cursor: { show: false }, padding: [8, 8, 0, 0],
    scales: { x: { time: false, range: () => { const t = curve.t.at(-1) ?? 0; return [t - WINDOW_S, t]; } }, y: { range } },
    axes: [{ ...axis, size: 1.6 * rem, space: 4 * rem, values: (u, splits) => splits.map(sessionTime) }, { ...axis, size: 2.75 * rem, space: 1.75 * rem, incrs: [1, 2, 4, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000] }],
    series: [{}, ...series],
    hooks: { drawAxes: [draw] },
  };
}

function makeCharts() {
  if (!window.uPlot) {
    for (const id of ["sag-curve", "speed-curve"]) {
      const note = document.createElement("p");
      note.textContent = "The part that draws curves is missing: install the package with pip, which brings it in.";
      $(id).append(note);
    }
    return;
  }
  const line = { stroke: () => colours.curve, width: 2, points: { show: false }, spanGaps: false };
  const sagTop = () => Math.max(12, 1.5 * (job ? job.sag_hold_pct : 8));
  addChart("sag-curve", chartOptions(() => [-2, sagTop()], [line], drawSagLimits), () => [curve.t, curve.sag]);
  const speedTop = () => 1.15 * (job ? Math.max(job.spindle_rpm, job.spot_rpm ?? 0) : 1000);
  addChart("speed-curve", chartOptions(() => [0, speedTop()], [line], drawCommanded), () => [curve.t, curve.speed]);
}

function addChart(id, options, data) {
  const box = $(id);
  const chart = new window.uPlot(options, data(), box);
  charts.push({ chart, data });
  new ResizeObserver(() => chart.setSize({ width: box.clientWidth, height: box.clientHeight })).observe(box);
}

function drawLevel(u, value, colour, dashes, label) {
  const y = Math.round(u.valToPos(value, "y", true));
  const { left, width } = u.bbox;
  u.ctx.strokeStyle = colour;
  u.ctx.lineWidth = 2 * devicePixelRatio;
  u.ctx.setLineDash(dashes.map((d) => d * devicePixelRatio));
  u.ctx.beginPath();
  u.ctx.moveTo(left, y);
  u.ctx.lineTo(left + width, y);
  u.ctx.stroke();
  if (!label) return;
  u.ctx.font = `600 ${0.8 * rem * devicePixelRatio}px ${FONT}`;
  u.ctx.textAlign = "left";
  u.ctx.textBaseline = "bottom";
  u.ctx.fillStyle = colour;
  u.ctx.fillText(label, left + 6 * devicePixelRatio, y - 3 * devicePixelRatio);
}

function drawSagLimits(u) {
  if (!job) return;
  u.ctx.save();
  drawCutting(u);
  drawLevel(u, job.sag_warning_pct, colours["warning-ink"], [8, 5], `warning ${job.sag_warning_pct} %`);
  drawLevel(u, job.sag_hold_pct, colours["hold-ink"], [], `hold ${job.sag_hold_pct} %`);
  drawMarks(u);
  u.ctx.restore();
}

function drawCutting(u) {
  const { left, top, width, height } = u.bbox;
  const thick = 0.45 * rem * devicePixelRatio;
  u.ctx.fillStyle = colours.cut;
  let from = null;
  for (let i = 0; i <= curve.t.length; i += 1) {
    const on = i < curve.t.length && curve.cutting[i];
    if (on && from === null) from = curve.t[i];
    if (!on && from !== null) {
      const x0 = Math.max(left, u.valToPos(from, "x", true));
      const x1 = Math.min(left + width, u.valToPos(curve.t[i - 1], "x", true));
      if (x1 > x0) u.ctx.fillRect(x0, top + height - thick, x1 - x0, thick);
      from = null;
    }
  }
}

function drawMarks(u) {
  const { left, top, width, height } = u.bbox;
  u.ctx.setLineDash([]);
  u.ctx.lineWidth = devicePixelRatio;
  for (const mark of marks) {
    const x = u.valToPos(mark.t, "x", true);
    if (x < left || x > left + width) continue;
    u.ctx.strokeStyle = mark.severity === "hold" ? colours["hold-ink"] : colours["warning-ink"];
    u.ctx.beginPath();
    u.ctx.moveTo(x, top);
    u.ctx.lineTo(x, top + height);
    u.ctx.stroke();
  }
}

function drawCommanded(u) {
  if (!job) return;
  u.ctx.save();
  drawLevel(u, job.spindle_rpm, colours.commanded, [6, 5]);
  if (job.spot_rpm) drawLevel(u, job.spot_rpm, colours.commanded, [2, 5]);
  u.ctx.restore();
}

function draw() {
  requestAnimationFrame(draw);
  if (!dirty || !job) return;
  dirty = false;
  showBand();
  showFigures();
  for (const { chart, data } of charts) chart.setData(data());
}

// ---- what a person does

async function post(path, body) {
  try {
    const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    const content = await answer.json();
    if (answer.ok) return content;
    text("answer", typeof content.detail === "string" ? content.detail : "The server refused that.");
  } catch {
    text("answer", "The server could not be reached. Go to the machine.");
  }
  return null;
}

$("acknowledge").addEventListener("click", async () => {
  if (await post("/api/acknowledge", {})) text("answer", "Acknowledged.");
});

let pressing = null; // the press under way; another object means another press

async function pressDown() {
  if (pressing || !state || state.hold === null) return;
  const mine = {};
  pressing = mine;
  text("answer", "Keep pressing.");
  const begun = await post("/api/reset/begin", { hold: state.hold });
  if (pressing !== mine) return;
  if (!begun) { letGo(); return; }
  $("reset").classList.add("pressed");
  // The server times the press too, from before its answer left: a little longer here is surely enough there.
  mine.timer = setTimeout(async () => {
    const done = await post("/api/reset/end", { press: begun.press });
    if (pressing === mine) letGo();
    if (done) text("answer", "Hold ended.");
  }, 1000 * begun.keep_s + 60);
}

function letGo(message) {
  if (!pressing) return;
  clearTimeout(pressing.timer);
  pressing = null;
  $("reset").classList.remove("pressed");
  if (message) text("answer", message);
}

const tooShort = () => letGo("Let go too soon: press and keep for a second and a half.");
const reset = $("reset");
reset.addEventListener("pointerdown", (e) => { if (e.button === 0) { reset.setPointerCapture(e.pointerId); pressDown(); } });
for (const name of ["pointerup", "pointercancel", "lostpointercapture", "blur"]) reset.addEventListener(name, tooShort);
reset.addEventListener("contextmenu", (e) => e.preventDefault());
reset.addEventListener("keydown", (e) => {
  if (e.key !== " " && e.key !== "Enter") return;
  e.preventDefault();
  if (!e.repeat) pressDown();
});
reset.addEventListener("keyup", (e) => { if (e.key === " " || e.key === "Enter") tooShort(); });
document.addEventListener("visibilitychange", () => { if (document.hidden) tooShort(); });

async function listen(path) {
  const audio = $("audio");
  audio.src = `${path}?at=${Date.now()}`; // another address each time: the sound has moved on
  audio.hidden = false;
  try { await audio.play(); text("audio-answer", ""); } catch { text("audio-answer", "There is no sound to play yet."); }
}
$("play").addEventListener("click", () => listen("/api/sound.wav"));
$("play-hold").addEventListener("click", () => listen("/api/hold.wav"));

// ---- begin

readColours();
makeCharts();
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { readColours(); dirty = true; });
setInterval(watch, 250);
connect();
draw();

// For tests and for the console: nothing on the page depends on it.
window.spindlebell = {
  longestGap: () => curve.t.reduce((gap, t, i, all) => (i ? Math.max(gap, t - all[i - 1]) : 0), 0),
};
