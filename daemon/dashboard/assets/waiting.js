// Shows the page anew when the server has something new to show, but not while somebody
// fills in a form on it. Without scripts there is a link to look again.
"use strict";
(() => {
  const everyMS = 3000;
  const main = document.getElementById("main");
  const filling = () => [...main.querySelectorAll("input, textarea, select")].some((f) => f.matches(":focus") || (f.defaultValue !== undefined && f.value !== f.defaultValue));
  const shown = main.innerHTML;
  setInterval(async () => {
    if (document.visibilityState !== "visible" || filling()) return;
    try {
      const r = await fetch(location.href);
      if (!r.ok) return;
      const text = new DOMParser().parseFromString(await r.text(), "text/html").getElementById("main").innerHTML;
      if (text !== shown) location.reload();
    } catch {
      // The server is away; the next look tells.
    }
  }, everyMS);
})();
