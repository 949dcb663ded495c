// Reads the meter again and again, and holds a tip where it is chosen. Without scripts there
// is a button for both.
"use strict";
(() => {
  const everyMS = 600;
  const shown = document.getElementById("reading");
  const read = async () => {
    if (document.visibilityState !== "visible") return;
    try {
      const at = location.href;
      const r = await fetch(at);
      if (!r.ok) return;
      const now = new DOMParser().parseFromString(await r.text(), "text/html").getElementById("reading");
      if (now && at === location.href && now.textContent !== shown.textContent) shown.textContent = now.textContent;
    } catch {
      // The server is away; the next reading tells.
    }
  };
  for (const tip of document.querySelectorAll(".tips select")) {
    tip.addEventListener("change", () => {
      const to = new URL(location.href);
      to.searchParams.set(tip.name, tip.value);
      history.replaceState(null, "", to);
      document.getElementById(`m-${tip.name}-kept`).value = tip.value;
      read();
    });
  }
  setInterval(read, everyMS);
})();
