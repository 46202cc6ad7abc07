// On the drawing of a day: arrows go to earlier and later hours, + and - show fewer and more, Home shows all; a stretch that is drawn over with
// the mouse is shown alone. The links above the drawing do the same without this script.
"use strict";
(() => {
  const least = 10 * 60000;
  const go = (path) => {
    if (path) location.assign(path);
  };
  document.addEventListener("keydown", (event) => {
    const picture = event.target.closest ? event.target.closest(".picture") : null;
    if (!picture || event.ctrlKey || event.metaKey || event.altKey) return;
    const to = { ArrowLeft: "earlier", ArrowRight: "later", "+": "in", "-": "out", Home: "all" }[event.key];
    if (!to) return;
    event.preventDefault();
    go(picture.dataset[to]);
  });
  let drag = null;
  const share = (event) => {
    const box = drag.svg.getBoundingClientRect();
    return Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
  };
  document.addEventListener("pointerdown", (event) => {
    const picture = event.target.closest ? event.target.closest(".picture") : null;
    if (!picture || event.button !== 0 || event.pointerType === "touch") return;
    const svg = picture.querySelector("svg");
    drag = { picture, svg, from: 0, rect: null };
    drag.from = share(event);
  });
  document.addEventListener("pointermove", (event) => {
    if (!drag) return;
    const at = share(event);
    if (!drag.rect && Math.abs(at - drag.from) * drag.svg.clientWidth < 8) return;
    if (!drag.rect) {
      drag.rect = document.createElementNS("http://www.w3.org/2000/svg", "rect");
      drag.rect.setAttribute("class", "chosen");
      drag.rect.setAttribute("y", "18");
      drag.rect.setAttribute("height", "100%");
      drag.svg.append(drag.rect);
    }
    drag.rect.setAttribute("x", Math.min(at, drag.from) * 100 + "%");
    drag.rect.setAttribute("width", Math.abs(at - drag.from) * 100 + "%");
    event.preventDefault();
  });
  document.addEventListener("dragstart", (event) => {
    if (drag) event.preventDefault();
  });
  let swallow = false; // the click that ends a drag is none on a link
  document.addEventListener("pointerup", (event) => {
    if (!drag) return;
    const { picture, rect, from } = drag;
    const at = share(event);
    drag = null;
    if (!rect) return;
    rect.remove();
    swallow = true;
    setTimeout(() => (swallow = false), 0);
    const [start, length] = [Number(picture.dataset.from), Number(picture.dataset.to) - Number(picture.dataset.from)];
    const minute = (share) => Math.round((start + share * length) / 60000) * 60000;
    let [a, b] = [minute(Math.min(from, at)), minute(Math.max(from, at))];
    if (b - a < least) b = a + least;
    const time = (ms) => encodeURIComponent(new Date(ms).toISOString());
    go(`${picture.dataset.path}&from=${time(a)}&to=${time(b)}#hours`);
  });
  document.addEventListener(
    "click",
    (event) => {
      if (swallow) event.preventDefault();
    },
    true,
  );
})();
