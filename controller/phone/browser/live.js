"use strict";
// Keeps the page fresh.  Without it the page renews itself every half minute.
(() => {
  const lost = document.getElementById("lost");
  const LOST_AFTER_MS = 30000;
  let heardAt = performance.now();
  let source = null;
  // Only where the page came by TLS; nothing depends on it.
  const worker = document.querySelector("link[rel=manifest]") ? navigator.serviceWorker : undefined;
  let keptAt = heardAt;

  function replace(html) {
    const fresh = new DOMParser().parseFromString(html, "text/html");
    for (const next of fresh.querySelectorAll("[data-live]")) {
      const now = document.getElementById(next.id);
      if (!now || now.outerHTML === next.outerHTML || now.querySelector("select:focus")) continue;
      const focused = document.activeElement && now.contains(document.activeElement) ? document.activeElement.id : "";
      for (const open of now.querySelectorAll("details[open][id]")) {
        const same = [...next.querySelectorAll("details")].find((each) => each.id === open.id);
        if (same) same.open = true;
      }
      for (const chosen of now.querySelectorAll("select[id]")) {
        const same = [...next.querySelectorAll("select")].find((each) => each.id === chosen.id);
        if (same && [...same.options].some((option) => option.value === chosen.value)) same.value = chosen.value;
      }
      if (now.matches("[aria-live]")) {
        if (now.textContent !== next.textContent) now.replaceChildren(...next.childNodes);
        now.className = next.className;
      } else {
        now.replaceWith(next);
      }
      if (focused) document.getElementById(focused)?.focus();
    }
  }

  function listen() {
    source?.close();
    source = new EventSource("/events");
    source.addEventListener("look", (event) => { heardAt = performance.now(); replace(JSON.parse(event.data).html); keep(); });
    source.addEventListener("ping", (event) => { heardAt = performance.now(); document.getElementById("heard").textContent = JSON.parse(event.data).heard; });
  }

  function keep() {
    if (performance.now() - keptAt < 60000) return;
    keptAt = performance.now();
    worker?.controller?.postMessage("keep");
  }

  function ago(ms) {
    const s = Math.round(ms / 1000);
    return s < 120 ? `${s} s` : s < 7200 ? `${Math.round(s / 60)} min` : `${Math.round(s / 3600)} h`;
  }

  setInterval(() => {
    const silent = performance.now() - heardAt;
    const isLost = silent > LOST_AFTER_MS;
    document.body.classList.toggle("lost", isLost);
    lost.hidden = !isLost;
    if (isLost) lost.textContent = lost.dataset.text.replace("{ago}", ago(silent));
    if (isLost && source.readyState === EventSource.CLOSED) listen();
  }, 1000);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) listen(); });
  listen();
  worker?.register("/worker.js").catch(() => {});
})();
