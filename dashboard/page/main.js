// Which view is shown, who may come in, and where everything begins.
import { $, chooseUnits, chosenUnits, clock, text } from "./format.js";
import { goOut, may, session } from "./server.js";
import { enter } from "./enter.js";
import { connect } from "./connection.js";
import { readColours } from "./charts.js";
import { readShades } from "./spectrogram.js";
import { listenToBand } from "./band.js";
import { listenToAlarm, soundsPlayed } from "./alarm.js";
import { listenToLimits } from "./limits.js";
import { listenToDrill } from "./drill.js";
import { beginLive, longestGap, repaint, showLost, take } from "./live.js";
import { listenToHolds, showHolds } from "./holds.js";
import { leaveMoment, repaintMoment, showMoment } from "./moment.js";
import { repaintBatch, showBatch, showBatches } from "./batches.js";
import { repaintCompare, showCompare } from "./compare.js";

// "#/hold/17" is the view "hold" of number 17.
const VIEWS = {
  live: { tab: "live", show: () => {} },
  holds: { tab: "holds", show: (batch) => showHolds(Number(batch) || 0) },
  hold: { tab: "holds", show: (event) => showMoment(Number(event)), leave: leaveMoment },
  batches: { tab: "batches", show: showBatches },
  batch: { tab: "batches", show: (batch) => showBatch(Number(batch)) },
  compare: { tab: "batches", show: (a, b) => showCompare(Number(a), Number(b)) },
  settings: { tab: "settings", show: showSettings },
  enter: { tab: "", show: () => $("token").focus() },
};
let shown = "";

function route() {
  const [name, ...given] = location.hash.replace(/^#\/?/, "").split("/");
  let view = may.watch ? name : "enter";
  if (!Object.hasOwn(VIEWS, view) || (view === "enter" && may.watch)) view = may.live ? "live" : "batches";
  if (view === "live" && !may.live) view = "batches";
  const before = shown;
  if (before && before !== view) VIEWS[before].leave?.();
  shown = view;
  document.body.dataset.view = view;
  for (const section of document.querySelectorAll("main > .view")) section.hidden = section.id !== `view-${view}`;
  for (const tab of document.querySelectorAll("#tabs a")) {
    if (tab.dataset.tab === VIEWS[view].tab) tab.setAttribute("aria-current", "page");
    else tab.removeAttribute("aria-current");
  }
  if (before && before !== view) scrollTo(0, 0);
  VIEWS[view].show(...given);
}

// ---- coming in

function start() {
  $("tabs").hidden = !may.watch;
  $("band").hidden = may.watch && !may.live;
  $("tab-live").hidden = !may.live;
  $("tab-holds").hidden = $("tab-batches").hidden = !may.past;
  if (may.watch && may.live) connect(take, showLost);
  if (!may.watch) text("why", "This browser has not come in yet.");
  route();
}

// ---- settings

async function showSettings() {
  for (const choice of document.getElementsByName("units")) choice.checked = choice.value === chosenUnits();
  const now = await session().catch(() => null);
  text("rights", !now ? "The server could not be reached." : may.operate
    ? "This browser may operate: acknowledge, reset, move thresholds, judge."
    : "This browser may watch, and ask for a hold. Resetting needs the link for operating.");
  text("until", now?.until ? `Until ${new Date(now.until * 1000).toLocaleDateString()} ${clock(now.until)}; then open the link again.` : "");
  $("go-out").hidden = !now?.until;
}

for (const choice of document.getElementsByName("units")) choice.addEventListener("change", () => { chooseUnits(choice.value); });
document.addEventListener("units", () => { if (shown !== "live" && shown !== "settings") route(); });
$("go-out").addEventListener("click", async () => { await goOut().catch(() => {}); location.reload(); });

// ---- begin

readColours();
readShades();
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { readColours(); readShades(); repaint(); repaintMoment(); repaintBatch(); repaintCompare(); });
addEventListener("hashchange", () => { if (!location.hash.startsWith("#enter=")) route(); });
listenToBand();
listenToAlarm();
listenToLimits();
listenToDrill();
listenToHolds();
beginLive();
enter(start);

// For tests and for the console: nothing on the page depends on it.
window.spindlebell = { longestGap, soundsPlayed };
