// The holds and warnings of a batch, and a person's verdict on each.
import { $, date, el, kindName, sessionTime, severitySign, text, whereabouts } from "./format.js";
import { Refused, get } from "./server.js";
import { theJob } from "./live.js";

const VERDICTS = { real: "Real", false: "False", unsure: "Unsure" };
export const verdictWord = (verdict) => (verdict ? VERDICTS[verdict.verdict] : "Not judged");

let shownBatch = 0;
let reloading = null;

export async function showHolds(batch) {
  shownBatch = batch || theJob()?.batch || 0;
  try {
    const { batches } = await get("/api/batches");
    if (!shownBatch) shownBatch = batches[0]?.number ?? 0;
    const choice = $("holds-batch");
    choice.replaceChildren(...batches.map((one) => el("option", { value: one.number, selected: one.number === shownBatch },
      `${one.number}: ${one.job?.name ?? one.source}, ${date(one.started)}`)));
    choice.disabled = batches.length === 0;
    if (shownBatch) await fill();
    else text("holds-state", "No batch was kept yet.");
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    text("holds-state", error.message);
  }
}

async function fill() {
  const batch = await get(`/api/batches/${shownBatch}`);
  const alarms = batch.events.filter((event) => event.severity !== "info").reverse();
  $("holds").replaceChildren(...alarms.map(row));
  const open = alarms.filter((event) => !event.verdict).length;
  text("holds-state", alarms.length === 0
    ? "No hold and no warning in this batch."
    : open ? `${open} of ${alarms.length} not judged yet. Your verdicts are what thresholds are tuned by.` : "All are judged.");
}

function row(event) {
  return el("li", { class: event.severity },
    el("a", { href: `#/hold/${event.number}` },
      severitySign(event.severity),
      el("span", { class: "head" }, el("strong", {}, kindName(event.kind)), ` at ${sessionTime(event.t)}`, whereabouts(event) ? `, ${whereabouts(event)}` : ""),
      el("span", { class: "what" }, event.message),
      el("span", { class: `verdict ${event.verdict?.verdict ?? "open"}` }, verdictWord(event.verdict))));
}

export function listenToHolds() {
  $("holds-batch").addEventListener("change", (e) => { location.hash = `#/holds/${e.target.value}`; });
  // A new alarm in the batch under way: the store has it by then.
  document.addEventListener("alarm-event", () => {
    if (document.body.dataset.view !== "holds" || reloading) return;
    reloading = setTimeout(() => { reloading = null; if (shownBatch === theJob()?.batch) fill().catch(() => {}); }, 500);
  });
}
