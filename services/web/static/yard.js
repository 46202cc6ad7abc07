// Keeps the pages of the yard fresh: whenever the ledger has more, and once a minute for the clock's sake, the page is fetched again and its
// middle put in place of the old one. While nothing is heard from the service the page says so and since when. Without this script the page is
// as it was when opened.
"use strict";
(() => {
  const yard = () => document.getElementById("yard");
  if (!yard() || !yard().dataset.live || !window.EventSource) return;
  const silence = 45000; // the service says something every 20 seconds
  const retry = 3000;
  let source = null;
  let heard = Date.now(); // when the service last answered
  let cut = false;
  let wanted = ""; // the position that the page should be at
  let busy = false;
  let again = false;

  const say = () => {
    const link = document.getElementById("link");
    if (!link) return;
    const since = new Date(heard).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });
    const text = cut ? yard().dataset.cut.replace("{time}", since) : yard().dataset.fresh;
    if (link.textContent !== text) link.textContent = text;
    link.classList.toggle("cut", cut);
  };
  const answered = () => {
    heard = Date.now();
    cut = false;
    say();
  };
  const lost = () => {
    cut = true;
    say();
  };

  // What somebody has opened and where the focus is stay as they are.
  const replace = (fresh) => {
    const old = yard();
    const focus = document.activeElement && old.contains(document.activeElement) ? document.activeElement : null;
    if (focus && /^(INPUT|SELECT|TEXTAREA)$/.test(focus.tagName)) return false; // not while somebody types
    const node = document.importNode(fresh, true);
    for (const d of old.querySelectorAll("details[id]")) {
      const same = node.querySelector("#" + CSS.escape(d.id));
      if (same) same.open = d.open;
    }
    const all = (root) => [...root.querySelectorAll("a[href], summary, [tabindex]")];
    const at = focus ? all(old).indexOf(focus) : -1;
    old.replaceWith(node);
    if (at >= 0 && all(node)[at]) all(node)[at].focus({ preventScroll: true });
    return true;
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
        const answer = await fetch(location.href, { headers: { Accept: "text/html" }, signal: AbortSignal.timeout(30000) });
        if (answer.redirected) {
          location.reload(); // the session is over
          return;
        }
        if (!answer.ok) throw new Error(String(answer.status));
        const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("yard");
        if (fresh && replace(fresh)) answered();
      } while (again);
    } catch {
      lost();
    } finally {
      busy = false;
    }
  };

  // A browser gives a connection up for good where the service answers with an error, so it is made anew here.
  const connect = () => {
    if (source) source.close();
    source = new EventSource(yard().dataset.live);
    source.addEventListener("position", (event) => {
      wanted = event.data;
      if (wanted !== yard().dataset.position) void refresh(); // says by itself whether it came
      else answered();
    });
    source.addEventListener("error", lost);
  };
  connect();
  setInterval(() => {
    if (!cut && Date.now() - heard > silence) lost();
    if (cut && !busy) {
      connect();
      if (wanted !== "" && wanted !== yard().dataset.position) void refresh();
    }
  }, retry);
  setInterval(() => void refresh(), 60000);
  say();
})();
