// Asking the server: one way for every request, and every refusal in words.

export const may = { watch: false, operate: false, live: false, past: false };

export class Refused extends Error {}

async function ask(path, options) {
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw new Refused("The server could not be reached. Go to the machine.");
  }
  if (answer.status === 401) document.dispatchEvent(new Event("no-session"));
  const content = await answer.json().catch(() => null);
  if (answer.ok) return content;
  throw new Refused(typeof content?.detail === "string" ? content.detail : "The server refused that.");
}

export function get(path) { return ask(path); }

export function post(path, body = {}) {
  return ask(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
}

function takeSession(session) {
  may.watch = session.right !== null;
  may.operate = session.right === "operate";
  may.live = session.live;
  may.past = session.past;
  document.body.classList.toggle("may-operate", may.operate);
  return session;
}

export async function session() { return takeSession(await get("/api/session")); }
export async function comeIn(token) { return takeSession(await post("/api/session", { token })); }
export async function goOut() { await post("/api/session/end"); may.watch = may.operate = false; }
