// Keeps the yard page fresh: whenever the ledger has more, and once a minute for the clock's sake, the page is
// fetched again and its middle put in place of the old one. Without this script the page is as it was when opened.
"use strict";
(() => {
  const yard = () => document.getElementById("yard");
  if (!yard() || !yard().dataset.live || !window.EventSource) return;
  let busy = false;
  let again = false;
  const say = (text) => {
    const link = document.getElementById("link");
    if (link && link.textContent !== text) link.textContent = text;
  };
  const refresh = async () => {
    if (busy) {
      again = true;
      return;
    }
    busy = true;
    try {
      do {
        again = false;
        const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
        if (answer.redirected) {
          location.reload(); // the session is over
          return;
        }
        if (!answer.ok) throw new Error(String(answer.status));
        const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("yard");
        if (fresh) yard().replaceWith(document.importNode(fresh, true));
      } while (again);
    } catch {
      say("not fresh: the service does not answer; trying again");
    } finally {
      busy = false;
    }
  };
  const source = new EventSource(yard().dataset.live);
  source.addEventListener("position", (event) => {
    if (event.data !== yard().dataset.position) void refresh();
  });
  source.addEventListener("error", () => say("not fresh: the connection is cut; trying again"));
  source.addEventListener("open", () => say("kept fresh while this page is open"));
  setInterval(() => void refresh(), 60000);
})();
