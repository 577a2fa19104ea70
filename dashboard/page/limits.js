// The two sag thresholds: shown on the curve, and moved there by whoever may operate.
import { $, text } from "./format.js";
import { Refused, may, post } from "./server.js";

const LEAST = 0.5; // as the server has it
const MOST = 50;
const STEP = 0.1;
const KEY_WAIT_MS = 700; // after the last key: then it is meant

let limits = [4, 8]; // in force, as the server said: warning, hold
let moved = null; // where a person has them now, until the server has taken them
let chart = null;
let waiting = null;

const NAMES = ["warning", "hold"];
export const shownLimits = () => moved ?? limits;
export const limitsInForce = () => limits;

export function takeLimits(newest) {
  if (newest[0] === limits[0] && newest[1] === limits[1]) return;
  limits = newest;
  if (!moved) show();
}

// Puts the handles where the lines are; called whenever the curve has been drawn.
export function placeLimits(u) {
  chart = u;
  shownLimits().forEach((value, i) => {
    const top = u.valToPos(value, "y");
    const handle = $(`limit-${NAMES[i]}`);
    const y = `${Math.round(u.over.offsetTop + top)}px`;
    if (handle.style.top !== y) handle.style.top = y;
  });
  show();
}

function show() {
  shownLimits().forEach((value, i) => {
    const handle = $(`limit-${NAMES[i]}`);
    const words = `${NAMES[i]} ${value} %`;
    text(handle.firstElementChild, words);
    const operable = may.operate;
    if (operable) {
      handle.setAttribute("role", "slider");
      handle.tabIndex = 0;
      handle.setAttribute("aria-label", `Sag that ${i ? "holds" : "warns"}, per cent`);
      handle.setAttribute("aria-orientation", "vertical");
      handle.setAttribute("aria-valuemin", String(LEAST));
      handle.setAttribute("aria-valuemax", String(MOST));
      handle.setAttribute("aria-valuenow", String(value));
      handle.setAttribute("aria-valuetext", words);
    } else {
      for (const name of ["role", "tabindex", "aria-label", "aria-orientation", "aria-valuemin", "aria-valuemax", "aria-valuenow", "aria-valuetext"]) handle.removeAttribute(name);
    }
  });
}

function move(i, value) {
  const next = [...shownLimits()];
  const room = i === 0 ? [LEAST, next[1] - STEP] : [next[0] + STEP, MOST]; // the warning stays before the hold
  next[i] = Math.round(Math.min(room[1], Math.max(room[0], value)) / STEP) / Math.round(1 / STEP);
  moved = next;
  show();
  chart?.redraw();
}

async function send() {
  clearTimeout(waiting);
  waiting = null;
  if (!moved) return;
  const [warning, hold] = moved;
  if (warning === limits[0] && hold === limits[1]) { moved = null; return; }
  try {
    await post("/api/limits", { warning_pct: warning, hold_pct: hold });
    limits = [warning, hold];
    text("limits-answer", `In force now: warning ${warning} %, hold ${hold} %. Entered in the evidence.`);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    text("limits-answer", error.message);
  }
  moved = null;
  show();
  chart?.redraw();
}

function giveUp() {
  clearTimeout(waiting);
  waiting = moved = null;
  show();
  chart?.redraw();
}

export function listenToLimits() {
  NAMES.forEach((name, i) => {
    const handle = $(`limit-${name}`);
    let from = null; // where the finger and the threshold were when it went down
    handle.addEventListener("pointerdown", (e) => {
      if (!may.operate || e.button !== 0 || !chart) return;
      handle.setPointerCapture(e.pointerId);
      from = { y: e.clientY, value: shownLimits()[i], perPixel: 1 / (chart.valToPos(0, "y") - chart.valToPos(1, "y")) };
      handle.classList.add("dragged");
      handle.focus();
      e.preventDefault();
    });
    handle.addEventListener("pointermove", (e) => { if (from) move(i, from.value + (from.y - e.clientY) * from.perPixel); });
    handle.addEventListener("pointerup", () => { if (from) { from = null; handle.classList.remove("dragged"); send(); } });
    handle.addEventListener("pointercancel", () => { if (from) { from = null; handle.classList.remove("dragged"); giveUp(); } });
    handle.addEventListener("keydown", (e) => {
      if (!may.operate) return;
      const by = { ArrowUp: STEP, ArrowRight: STEP, ArrowDown: -STEP, ArrowLeft: -STEP, PageUp: 1, PageDown: -1 }[e.key];
      if (by !== undefined) {
        e.preventDefault();
        move(i, shownLimits()[i] + by);
        clearTimeout(waiting);
        waiting = setTimeout(send, KEY_WAIT_MS);
      } else if (e.key === "Enter") send();
      else if (e.key === "Escape") giveUp();
    });
    handle.addEventListener("blur", () => { if (waiting) send(); });
  });
}
