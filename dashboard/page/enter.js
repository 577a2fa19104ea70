// Coming in: by the link's token, by a token typed, or by a session that this browser has already.
import { $, text } from "./format.js";
import { comeIn, may, session, Refused } from "./server.js";

// `start` is called whenever it is known what this browser may do, or may not do any more.
export function enter(start) {
  async function begin() {
    const key = /^#enter=(.+)$/.exec(location.hash)?.[1];
    try {
      if (key) {
        history.replaceState(null, "", location.pathname); // the token does not stay in the address
        await comeIn(decodeURIComponent(key));
      } else await session();
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      text("enter-answer", error.message);
      await session().catch(() => setTimeout(begin, 2000)); // the server is not there yet
    }
    start();
  }

  $("enter").addEventListener("submit", async (e) => {
    e.preventDefault();
    try {
      await comeIn($("token").value.trim().replace(/^.*#enter=/, "")); // a whole link will do
      $("token").value = "";
      text("enter-answer", "");
      document.dispatchEvent(new Event("session"));
      start();
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      text("enter-answer", error.message);
    }
  });
  document.addEventListener("no-session", () => {
    may.watch = may.operate = false;
    start();
  });
  addEventListener("hashchange", () => { if (location.hash.startsWith("#enter=")) begin(); });
  begin();
}
