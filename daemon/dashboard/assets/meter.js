// Reads the meter again and again. Without scripts there is a button to do so.
"use strict";
(() => {
  const everyMS = 600;
  const shown = document.getElementById("reading");
  setInterval(async () => {
    if (document.visibilityState !== "visible") return;
    try {
      const r = await fetch(location.href);
      if (!r.ok) return;
      const now = new DOMParser().parseFromString(await r.text(), "text/html").getElementById("reading");
      if (now && now.textContent !== shown.textContent) shown.textContent = now.textContent;
    } catch {
      // The server is away; the next reading tells.
    }
  }, everyMS);
})();
