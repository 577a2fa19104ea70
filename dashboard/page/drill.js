// A new or sharpened drill: an operator says so, with a second press, and wear counts from there on.
import { $, text } from "./format.js";
import { Refused, post } from "./server.js";

const SURE_MS = 6000; // so long the second press is waited for
const ASK = "New drill";
const SURE = "Yes, a new drill is in";
const HELP = "After a new or sharpened drill was put in: its wear counts from here on.";

let asked = null;

function forget() {
  clearTimeout(asked);
  asked = null;
  text("new-drill", ASK);
}

async function press() {
  if (asked === null) {
    text("new-drill", SURE);
    text("new-drill-answer", "Press again to enter it.");
    asked = setTimeout(() => { forget(); text("new-drill-answer", HELP); }, SURE_MS);
    return;
  }
  forget();
  try {
    await post("/api/drill");
    text("new-drill-answer", "Entered in the evidence. Wear counts from here on.");
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    text("new-drill-answer", error.message);
  }
}

export function listenToDrill() {
  text("new-drill-answer", HELP);
  $("new-drill").addEventListener("click", press);
}
