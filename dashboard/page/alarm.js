// The audible alarm. A browser lets a page sound only after a person has pressed something on it, so the
// button says plainly which of three things is so: off, on, or wanted but still kept silent by the browser.
//
// The sound: three rising tones with odd harmonics, 0.8 to 1.25 kHz, in half a second, then a pause. A machine
// shop hums, hisses and knocks at a steady beat; nothing in it rises in steps and stops. For a hold every 1.5 s,
// for lost data the same falling, every 3 s, for a warning two tones once in 8 s; until it is acknowledged.
import { $, text } from "./format.js";

const WANTED = "spindlebell alarm sound";
const PATTERNS = {
  HELD: { tones: [800, 1000, 1250], every: 1500 },
  "NO DATA": { tones: [1250, 1000, 800], every: 3000 },
  LOOK: { tones: [1000, 1000], every: 8000 },
};
const TONE_S = 0.16;

let context = null;
let wave = null;
let timer = null;
let sounding = ""; // the word that is being sounded
let played = 0;

const wanted = () => localStorage.getItem(WANTED) === "on";
const allowed = () => context?.state === "running";

function wake() {
  context ??= new AudioContext();
  // Odd harmonics, falling: carries through hearing protection better than a pure tone.
  wave ??= context.createPeriodicWave(new Float32Array(8), new Float32Array([0, 1, 0, 0.45, 0, 0.25, 0, 0.12]));
  return context.resume();
}

function play(tones) {
  if (!allowed()) { show(); return; }
  played += 1;
  tones.forEach((hz, i) => {
    const from = context.currentTime + 0.02 + i * TONE_S;
    const tone = new OscillatorNode(context, { frequency: hz });
    const gain = new GainNode(context, { gain: 0 });
    tone.setPeriodicWave(wave);
    gain.gain.setValueAtTime(0, from);
    gain.gain.linearRampToValueAtTime(0.8, from + 0.012);
    gain.gain.setValueAtTime(0.8, from + TONE_S - 0.04);
    gain.gain.linearRampToValueAtTime(0, from + TONE_S - 0.012);
    tone.connect(gain).connect(context.destination);
    tone.start(from);
    tone.stop(from + TONE_S);
  });
}

// What is to be heard now: the word, unless it was seen, or nothing is there to be seen.
export function sound({ word, unseen }) {
  const pattern = unseen > 0 && wanted() ? PATTERNS[word] : undefined;
  const now = pattern ? word : "";
  if (now === sounding) return;
  clearInterval(timer);
  sounding = now;
  if (!pattern) return;
  play(pattern.tones);
  timer = setInterval(() => play(pattern.tones), pattern.every);
}

function show() {
  const on = wanted();
  const silent = on && !allowed();
  $("sound").setAttribute("aria-pressed", String(on && !silent));
  $("sound").classList.toggle("blocked", silent);
  text("sound-text", !on ? "Alarm sound is off" : silent ? "Press to let the alarm sound" : "Alarm sound is on");
  text("sound-again", !on ? "Turn the alarm sound on" : silent ? "Let the alarm sound" : "Turn the alarm sound off");
  text("sound-help", !on
    ? "Off: this browser only shows alarms. Press the button to hear them too; you will hear a test."
    : silent
      ? "This browser keeps a page silent until you press something on it. Press the button: you will hear a test."
      : "On: a hold sounds three rising tones, again and again until it is acknowledged; a warning two tones now and then; lost data three falling ones. Keep this page open and the computer's volume up.");
}

async function toggle() {
  if (wanted() && allowed()) {
    localStorage.removeItem(WANTED);
  } else {
    localStorage.setItem(WANTED, "on");
    await wake();
    play(PATTERNS.HELD.tones); // what it will sound like, and the proof that it can be heard
  }
  clearInterval(timer);
  sounding = ""; // begins anew with the next message
  show();
}

export function listenToAlarm() {
  for (const id of ["sound", "sound-again"]) $(id).addEventListener("click", toggle);
  document.addEventListener("word", (e) => sound(e.detail));
  if (wanted()) {
    wake().then(show, show); // some browsers remember that this page may sound
    document.addEventListener("pointerdown", () => wake().then(show), { once: true });
    document.addEventListener("keydown", () => wake().then(show), { once: true });
  }
  show();
}

export const soundsPlayed = () => played;
