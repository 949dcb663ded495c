// Shows what the lead in hand reads, says it on request, and keeps the names that a
// person gives.
"use strict";
(() => {
  const root = document.getElementById("hand");
  const staleMS = Number(root.dataset.staleAfter), heldMS = 1000, namedMost = 200;
  const part = (name) => root.querySelector('[data-f="' + name + '"]');
  function text(name, words) {
    const p = part(name);
    if (p.textContent !== words) p.textContent = words;
  }
  function ago(ms) {
    const s = Math.floor(ms / 1000);
    if (s < 1) return "just now";
    if (s < 60) return s + " s ago";
    return s < 3600 ? Math.floor(s / 60) + " min ago" : Math.floor(s / 3600) + " h ago";
  }

  const age = Number(root.dataset.age);
  let at = age < 0 ? null : performance.now() - age;
  let hold = root.dataset.hold, word = root.dataset.word, shape = root.dataset.shape, shown = "";

  function show() {
    const ms = at === null ? null : Math.max(0, performance.now() - at);
    const stale = hold !== "" || ms === null || ms > staleMS;
    root.classList.toggle("stale", stale);
    part("stale").hidden = !stale;
    text("hold", hold ? ": " + hold : "");
    text("heard", ms === null ? "not heard yet" : "heard " + ago(ms));
    text("last", word);
    shown = stale ? "unknown" : word;
    text("word", shown);
    root.querySelector(".mark use").setAttribute("href", "#m-" + (stale ? "unknown" : shape));
    say();
  }

  document.addEventListener("hand", (e) => {
    const u = e.detail;
    ({ word, shape, hold } = u);
    at = u.age_ms < 0 ? null : performance.now() - u.age_ms;
    text("volts", u.volts);
    text("why", u.why);
    show();
  });
  setInterval(show, 500);

  // A word is said once it has changed and held.
  const speak = document.getElementById("h-speak");
  let speaking = false, said = "", coming = "", since = 0;
  function say() {
    if (shown !== coming) coming = shown, since = performance.now();
    if (!speaking || coming === said || performance.now() - since < heldMS) return;
    said = coming;
    speechSynthesis.cancel();
    const u = new SpeechSynthesisUtterance(said);
    u.lang = "en";
    speechSynthesis.speak(u);
  }
  if ("speechSynthesis" in window) {
    speak.hidden = false;
    speak.addEventListener("click", () => {
      speaking = !speaking;
      speak.textContent = speaking ? "Mute" : "Speak";
      said = "";
      if (speaking) since = 0;
      else speechSynthesis.cancel();
      say();
    });
  }
  document.getElementById("h-anew").hidden = true;

  // The names given so far, the latest first; a slot that is named again moves up.
  const box = document.getElementById("h-named"), list = box.querySelector("ol"), copied = document.getElementById("h-copied");
  const key = "keyturn named " + root.dataset.benchLead;
  let named = [];
  try {
    const kept = JSON.parse(sessionStorage.getItem(key));
    if (Array.isArray(kept)) named = kept.filter((x) => Array.isArray(x) && x.length === 2 && x.every((s) => typeof s === "string")).slice(0, namedMost);
  } catch { /* a list that cannot be read is begun anew */ }
  function keep() {
    try { sessionStorage.setItem(key, JSON.stringify(named)); } catch { /* then it lasts as long as the page */ }
    list.replaceChildren(...named.map(([, words]) => Object.assign(document.createElement("li"), { textContent: words })));
    box.hidden = named.length === 0;
    copied.textContent = "";
  }
  root.querySelector(".calls")?.addEventListener("click", (e) => {
    const a = e.target.closest("a");
    if (!a) return;
    e.preventDefault();
    const name = a.dataset.name;
    root.querySelector(".calls [aria-current]")?.removeAttribute("aria-current");
    a.setAttribute("aria-current", "true");
    text("called", name);
    const words = [name + ": " + shown, part("volts").textContent, new Date().toLocaleTimeString()].filter(Boolean).join(", ");
    named = [[name, words], ...named.filter(([n]) => n !== name)].slice(0, namedMost);
    keep();
  });
  document.getElementById("h-copy").addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(named.map(([, words]) => words).join("\n"));
      copied.textContent = "Copied.";
    } catch {
      getSelection().selectAllChildren(list); // for the browser's own copy
      copied.textContent = "Marked: copy it by hand.";
    }
  });
  document.getElementById("h-forget").addEventListener("click", () => { named = []; keep(); });
  keep();
  show();
})();
