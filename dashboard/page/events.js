// What happened, newest first.
import { $, clock, el, severitySign, whereabouts } from "./format.js";

const COUNTED = new Set(["peck_start", "peck_end", "spot_start", "spot_end"]); // the counters show these
const MOST = 200;

export function clearEvents() { $("events").replaceChildren(); $("no-events").hidden = false; }

export function takeEvent(event) {
  if (event.severity !== "info") document.dispatchEvent(new Event("alarm-event"));
  if (COUNTED.has(event.kind)) return;
  const list = $("events");
  list.prepend(eventItem(event, clock(event.at)));
  while (list.childElementCount > MOST) list.lastElementChild.remove();
  $("no-events").hidden = true;
}

export function eventItem(event, time) {
  return el("li", { class: event.severity },
    el("time", {}, time), severitySign(event.severity),
    el("span", { class: "what" }, event.message),
    el("span", { class: "where" }, event.severity === "info" ? "" : whereabouts(event)));
}
