// The band on top: the state in one word, a shape and a colour; why, since when, what to do; and the buttons.
import { $, SHAPES, clock, text } from "./format.js";
import { Refused, may, post } from "./server.js";
import { isLost } from "./connection.js";

let state = null; // as the server last said
let heardAny = false;
let announced = "";
let answeredAt = -Infinity;
const ANSWER_MS = 5000; // an answer stays so long after what it was about is over

export function showBand(newest, hasRows) {
  state = newest ?? state;
  heardAny = hasRows ?? heardAny;
  const lost = isLost();
  const word = lost || !state ? "NO DATA" : state.word;
  const band = $("band");
  if (band.dataset.word !== word) {
    band.dataset.word = word;
    text("word", word);
    $("shape").setAttribute("href", `#shape-${SHAPES[word]}`);
    document.title = `${word}: spindlebell`;
    $("icon").href = `/page/icon-${SHAPES[word]}.svg`;
  }
  if (lost) {
    text("why", state ? `No data since ${clock(state.now)}.` : "Waiting for the server.");
    text("todo", state ? `Look at the machine yourself. Last known: ${state.word}. Trying to reach the server again.` : "");
    text("since", "");
  } else {
    const stopped = word === "NO DATA" && heardAny;
    text("why", stopped ? `No data since ${clock(state.since)}. ${state.why}` : state.why);
    text("todo", state.todo);
    text("since", stopped ? "" : `Since ${clock(state.since)}`);
  }
  band.classList.toggle("long", $("why").textContent.length > 110);
  document.body.classList.toggle("lost", word === "NO DATA");
  $("stale").hidden = !(word === "NO DATA" && heardAny);
  text("stale", `Old curves, until ${clock(lost ? state?.now ?? 0 : state.since)}`);
  showActions(lost);
  announce(word);
  document.dispatchEvent(new CustomEvent("word", { detail: { word, unseen: lost || !state ? 1 : state.unacknowledged } }));
}

function showActions(lost) {
  const held = !lost && state?.hold !== null && state !== null;
  const unseen = !lost && state?.unacknowledged > 0;
  $("acknowledge").hidden = !(unseen && may.operate);
  $("reset").hidden = !(held && may.operate);
  $("hold-now").hidden = lost || held || !state?.can_hold;
  $("only-watching").hidden = !((held || unseen) && !may.operate);
  $("actions").hidden = !["acknowledge", "reset", "hold-now", "only-watching"].some((id) => !$(id).hidden);
  if (!held) letGo();
  if (!held && !unseen && performance.now() - answeredAt > ANSWER_MS) text("answer", "");
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

// ---- what a person does

function answer(words) {
  answeredAt = performance.now();
  text("answer", words);
}

async function act(path, body, said) {
  try {
    const content = await post(path, body);
    if (said) answer(said);
    return content;
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    answer(error.message);
    return null;
  }
}

let pressing = null; // the press under way; another object means another press

async function pressDown() {
  if (pressing || !state || state.hold === null) return;
  const mine = {};
  pressing = mine;
  answer("Keep pressing.");
  const begun = await act("/api/reset/begin", { hold: state.hold });
  if (pressing !== mine) return;
  if (!begun) { letGo(); return; }
  $("reset").classList.add("pressed");
  // The server times the press too, from before its answer left: a little longer here is surely enough there.
  mine.timer = setTimeout(async () => {
    const done = await act("/api/reset/end", { press: begun.press });
    if (pressing === mine) letGo();
    if (done) answer("Hold ended.");
  }, 1000 * begun.keep_s + 60);
}

function letGo(message) {
  if (!pressing) return;
  clearTimeout(pressing.timer);
  pressing = null;
  $("reset").classList.remove("pressed");
  if (message) answer(message);
}

const tooShort = () => letGo("Let go too soon: press and keep for a second and a half.");

export function listenToBand() {
  $("acknowledge").addEventListener("click", () => act("/api/acknowledge", {}, "Acknowledged."));
  $("hold-now").addEventListener("click", () => act("/api/hold", {}));
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
}
