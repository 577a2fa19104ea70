// The live connection: one WebSocket that comes back by itself and asks only for what was missed.
import { session, may } from "./server.js";

const LOST_AFTER_MS = 1500; // the server speaks at least every 500 ms
const SILENT_AFTER_MS = 8000; // open but silent for so long: the other end is gone without a word
const RETRY_MS = [250, 500, 1000, 2000];

let socket = null;
let attempt = 0;
let lastMessageAt = -Infinity;
let run = "";
let cursor = [0, 0, 0];
let take = null;
let tellLost = null;
let lost = true;

export function connect(onMessage, onLost) {
  take = onMessage;
  tellLost = onLost;
  if (!socket) {
    open();
    setInterval(watch, 250);
  }
}

export function isLost() { return lost; }

function open() {
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  const [rows, events, columns] = cursor;
  socket = new WebSocket(`${scheme}://${location.host}/api/live?run=${run}&rows=${rows}&events=${events}&columns=${columns}`);
  socket.onmessage = (message) => {
    attempt = 0;
    lastMessageAt = performance.now();
    const content = JSON.parse(message.data);
    run = content.run;
    cursor = content.cursor;
    lost = false;
    take(content);
  };
  socket.onclose = () => {
    setTimeout(again, RETRY_MS[Math.min(attempt, RETRY_MS.length - 1)]);
    attempt += 1;
    lastMessageAt = -Infinity;
    watch();
  };
}

async function again() {
  // A session that has ended looks like a server that is gone: ask before trying again.
  if (attempt > 1) {
    try { await session(); } catch { /* not there yet */ }
    if (!may.watch) {
      document.dispatchEvent(new Event("no-session"));
      document.addEventListener("session", open, { once: true });
      return;
    }
  }
  open();
}

function watch() {
  const age = performance.now() - lastMessageAt;
  const nowLost = age > LOST_AFTER_MS;
  if (nowLost && socket.readyState === WebSocket.OPEN && age > SILENT_AFTER_MS && lastMessageAt > 0) socket.close();
  if (nowLost !== lost) {
    lost = nowLost;
    tellLost(lost);
  }
}
