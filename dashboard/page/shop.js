// The shop's page: all spindles, what needs somebody first. It watches, and has nothing to press but its sound.
import { $, SHAPES, clock, el, plural, severitySign, text } from "./format.js";
import { may } from "./server.js";
import { enter } from "./enter.js";
import { connect, isLost } from "./connection.js";
import { listenToAlarm } from "./alarm.js";
import { drawTile, inOrder, isCalm, makeTile, rank, since } from "./tiles.js";

const MANY = 24; // from here on, what needs nobody is drawn smaller
const MOST_EVENTS = 200;
const LOST_SOUNDS_S = 60; // a monitor that is lost is told for a minute; then its tile goes on saying so
const NAMES_TOLD = 4;

const spindles = new Map(); // by name, as the server last said
const tiles = new Map();
let broker = null;
let heardAt = null; // the server's clock in its last message
let announced = "";
let lostAt = new Map();

function take(message) {
  if (message.fresh) {
    spindles.clear();
    $("events").replaceChildren();
  }
  broker = message.broker;
  heardAt = message.now;
  for (const spindle of message.spindles) {
    const before = spindles.get(spindle.name);
    const isGone = (s) => s && s.word === "NO DATA" && !s.ended;
    if (isGone(spindle) && before && !isGone(before)) lostAt.set(spindle.name, performance.now());
    spindles.set(spindle.name, spindle);
  }
  for (const name of message.forgotten) spindles.delete(name);
  for (const event of message.events) takeEvent(event);
  draw();
}

function draw() {
  const lost = isLost();
  const all = inOrder(spindles.values());
  const needing = all.filter((s) => lost || !isCalm(s));
  $("calm").classList.toggle("many", all.length >= MANY);
  for (const [name, tile] of tiles) {
    if (!spindles.has(name)) { tile.element.remove(); tiles.delete(name); }
  }
  place($("needing"), needing, lost);
  place($("calm"), all.filter((s) => !needing.includes(s)), lost);
  $("no-tiles").hidden = all.length > 0 || lost;
  text("shop-size", all.length ? plural(all.length, "spindle") : "");
  const synthetic = all.filter((s) => s.synthetic).map((s) => s.name);
  $("synthetic").hidden = !synthetic.length;
  text("synthetic-names", `No machine is connected to ${names(synthetic)}: every sound is computed.`);
  drawBand(all, lost);
}

function place(list, those, lost) {
  those.forEach((spindle, i) => {
    let tile = tiles.get(spindle.name);
    if (!tile) tiles.set(spindle.name, (tile = makeTile(spindle.name)));
    drawTile(tile, spindle, lost);
    if (list.children[i] !== tile.element) list.insertBefore(tile.element, list.children[i] ?? null);
  });
  list.hidden = !those.length;
}

// The worst word of the shop, whose it is, and how many have which.
function drawBand(all, lost) {
  const present = all.filter((s) => !s.ended);
  const worst = lost || !broker?.reached || !present.length ? null : present[0];
  const word = worst ? worst.word : "NO DATA";
  const band = $("band");
  if (band.dataset.word !== word) {
    band.dataset.word = word;
    text("word", word);
    $("shape").setAttribute("href", `#shape-${SHAPES[word]}`);
    $("icon").href = `/page/icon-${SHAPES[word]}.svg`;
    document.title = `${word}: spindlebell shop`;
  }
  text("why", why(present, worst, lost));
  const count = (test) => present.filter(test).length;
  const counts = [
    [count((s) => s.word === "HELD"), "held"], [count((s) => s.word === "NO DATA"), "without a word"],
    [count((s) => s.word === "LOOK"), "to look at"], [count((s) => s.word === "ALL WELL"), "all well"],
    [count((s) => s.word === "STOPPED"), "stopped"], [all.length - present.length, "ended"],
  ];
  text("counts", lost || !broker?.reached ? "" : counts.filter(([n]) => n).map(([n, what]) => `${n} ${what}`).join(" · "));
  announce(word);
  document.dispatchEvent(new CustomEvent("word", { detail: { word: sounding(present, lost), unseen: 1 } }));
}

function why(present, worst, lost) {
  if (lost) return heardAt ? `No data since ${clock(heardAt)}: this page does not reach its server. Look at the machines.` : "Waiting for the server.";
  if (!broker.reached) return `The broker is not reached since ${since(broker.since)}. ${sentence(broker.why)}`;
  if (!worst) return "No monitor is heard.";
  const same = present.filter((s) => rank(s) === rank(worst));
  const who = names(same.map((s) => s.name));
  if (worst.word === "NO DATA") return `No word from ${who}. Look there yourself.`;
  if (same.length === 1) return `${who}: ${worst.why}`;
  if (worst.word === "HELD" || worst.word === "LOOK") return `${who}.`;
  return worst.word === "ALL WELL" ? "Every spindle that turns is well." : "Every spindle stands still.";
}

const sentence = (words) => (words ? `${words[0].toUpperCase()}${words.slice(1)}${/[.!?]$/.test(words) ? "" : "."}` : "");

function names(all) {
  if (all.length <= NAMES_TOLD) return all.join(", ");
  return `${all.slice(0, NAMES_TOLD).join(", ")} and ${all.length - NAMES_TOLD} more`;
}

// What sounds: a hold or a warning that nobody has acknowledged, and a monitor that has just been lost.
function sounding(present, lost) {
  if (lost) return "NO DATA";
  if (present.some((s) => s.word === "HELD" && s.unacknowledged)) return "HELD";
  const recent = ([name, at]) => performance.now() - at < 1000 * LOST_SOUNDS_S && spindles.get(name)?.word === "NO DATA";
  if ([...lostAt].some(recent)) return "NO DATA";
  return present.some((s) => s.word === "LOOK" && s.unacknowledged) ? "LOOK" : "";
}

function announce(word) {
  const key = `${word}. ${$("why").textContent}`;
  if (key === announced) return;
  announced = key;
  const calm = word === "ALL WELL" || word === "STOPPED";
  text("state-voice", calm ? key : "");
  text("alarm-voice", calm ? "" : key);
}

function takeEvent(event) {
  const list = $("events");
  list.prepend(el("li", { class: event.severity },
    el("time", {}, since(event.at)), severitySign(event.severity),
    el("span", { class: "what" }, el("span", { class: "who" }, event.name), `: ${event.message}`)));
  while (list.childElementCount > MOST_EVENTS) list.lastElementChild.remove();
  $("no-events").hidden = true;
}

// ---- coming in

function start() {
  $("view-enter").hidden = may.watch;
  $("view-shop").hidden = !may.watch;
  if (may.watch) connect(take, draw);
  else text("why", "This browser has not come in yet.");
}

listenToAlarm();
enter(start);
