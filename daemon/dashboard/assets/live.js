// Keeps a page up to date. The page is whole without it; every text is written as text.
"use strict";
(() => {
  const staleMS = 15000, silentMS = 40000;
  const made = document.getElementById("made");
  const benches = new Map();
  for (const el of document.querySelectorAll("[data-bench]")) {
    const age = Number(el.dataset.age);
    benches.set(el.dataset.bench, { el, hold: el.dataset.hold, at: age < 0 ? null : performance.now() - age });
  }

  const part = (el, name) => el.querySelector('[data-f="' + name + '"]');
  function text(el, name, words) {
    const p = part(el, name);
    if (p && p.textContent !== words) p.textContent = words;
  }
  function shape(el, name) {
    const use = el.querySelector("use");
    if (use) use.setAttribute("href", "#m-" + name);
  }
  function hide(el, hidden) {
    if (el) el.hidden = hidden;
  }

  function ago(ms) {
    const s = Math.floor(ms / 1000);
    if (s < 1) return "just now";
    if (s < 60) return s + " s ago";
    if (s < 3600) return Math.floor(s / 60) + " min ago";
    if (s < 48 * 3600) return Math.floor(s / 3600) + " h ago";
    return Math.floor(s / 86400) + " days ago";
  }

  // Ages go on by themselves, so that a page that has lost its server turns stale too.
  function age(b) {
    const ms = b.at === null ? null : Math.max(0, performance.now() - b.at);
    const stale = b.hold !== "" || ms > staleMS;
    text(b.el, "heard", ms === null ? "not heard yet" : "heard " + ago(ms));
    text(b.el, "hold", b.hold || "last heard " + ago(ms));
    hide(part(b.el, "stale"), !stale);
    b.el.classList.toggle("stale", stale);
  }

  function slots(el, list) {
    const cells = el.querySelectorAll(".slots > li");
    list.forEach(([form, word, volts, why], i) => {
      const li = cells[i];
      if (!li) return;
      if (li.dataset.state !== form) {
        li.dataset.state = form;
        li.classList.toggle("odd", form === "ghost" || form === "unknown");
        shape(li, form);
      }
      text(li, "word", word);
      text(li, "volts", volts);
      text(li, "why", why);
    });
    const odds = el.querySelector(".odds");
    if (odds) odds.replaceChildren(...[...cells].filter((li) => li.classList.contains("odd")).map((li) => li.cloneNode(true)));
  }

  // A page is made anew at most every 5 s, whatever a bench says.
  let anew = false;
  function again() {
    if (anew) return;
    anew = true;
    setTimeout(() => location.reload(), Math.max(0, 5000 - performance.now()));
  }

  // The page of an open key cycle is fetched anew when the bench says more of it, but not
  // while somebody fills in a form on it.
  const cycle = () => document.getElementById("cycle");
  let fetching = false, passed = "";
  function filling() {
    const edited = (f) => f.type !== "hidden" && (f.matches(":focus") || (f.defaultValue !== undefined && f.value !== f.defaultValue));
    return [...cycle().querySelectorAll("input, textarea, select")].some(edited);
  }
  async function follow(u) {
    const now = cycle(), shown = Number(now.dataset.revision);
    // Once the next key cycle has begun, its last revision may have been passed over.
    const next = u.last !== now.dataset.cycle, least = next ? shown + 1 : u.revision;
    if (fetching || (next ? u.last === "" || u.last === passed : u.revision <= shown)) return;
    if (filling()) return say("There is a later revision: reload the page to see it");
    if (next) passed = u.last;
    fetching = true;
    // The records may be a moment behind the bench.
    for (let tries = 0; tries < 5; tries++) {
      const fresh = await fetch(location.href).then((r) => r.text()).then((t) => new DOMParser().parseFromString(t, "text/html").getElementById("cycle")).catch(() => null);
      if (fresh && Number(fresh.dataset.revision) >= least && !filling()) {
        const opened = [...now.querySelectorAll("details")].map((d) => d.open);
        fresh.querySelectorAll("details").forEach((d, i) => { d.open = opened[i]; });
        now.replaceWith(fresh);
        say("Kept up to date: revision " + fresh.dataset.revision);
        if (!fresh.dataset.open) done();
        break;
      }
      await new Promise((on) => setTimeout(on, 1000));
    }
    fetching = false;
  }
  function done() {
    clearInterval(watching);
    source.close();
  }

  function take(u) {
    if (cycle()) return void follow(u);
    const b = benches.get(u.bench);
    // Another bench, or other slots: the page is made anew.
    if (!b || (b.el.dataset.form && b.el.dataset.form !== u.form)) return again();
    const el = b.el;
    b.hold = u.hold;
    b.at = u.age_ms < 0 ? null : performance.now() - u.age_ms;
    const p = el.querySelector(".presence");
    p.dataset.presence = u.presence[0];
    shape(p, u.presence[0]);
    text(el, "presence", u.presence[1]);
    text(el, "key", u.key);
    text(el, "keyfrom", u.key_from);
    el.querySelectorAll(".rail > li").forEach((li, i) => li.classList.toggle("here", i === u.step));
    text(el, "battery", u.battery);
    hide(el.querySelector(".battery"), u.battery === "");
    text(el, "refusing", u.refusing);
    hide(part(el, "refuse"), u.refusing === "");
    hide(part(el, "open"), u.open === "");
    const last = part(el, "last");
    if (last && u.last) last.href = "/cycle/" + encodeURIComponent(u.bench) + "/" + encodeURIComponent(u.last);
    hide(last, u.last === "");
    slots(el, u.slots);
    age(b);
  }

  let source, heard, seen = document.body.dataset.seen, state = "";
  function say(words) {
    if (state !== words) made.textContent = state = words;
  }
  function open() {
    const url = new URL(document.body.dataset.live, location.href);
    url.searchParams.set("seen", seen);
    heard = performance.now();
    source = new EventSource(url);
    source.onopen = () => { heard = performance.now(); say("Kept up to date"); };
    source.addEventListener("ended", () => location.reload()); // who looks must sign in again
    source.addEventListener("beat", (e) => { heard = performance.now(); seen = e.lastEventId || seen; });
    source.addEventListener("bench", (e) => { heard = performance.now(); take(JSON.parse(e.data)); });
    // What another script of this page shows.
    for (const kind of ["waveform", "hand"]) {
      source.addEventListener(kind, (e) => { heard = performance.now(); document.dispatchEvent(new CustomEvent(kind, { detail: JSON.parse(e.data) })); });
    }
    source.onerror = () => say("Not kept up to date: the server does not answer");
  }
  const watching = setInterval(() => {
    benches.forEach(age);
    // The browser comes again by itself after a break, not after a refusal or silence.
    if (source.readyState === EventSource.CLOSED || performance.now() - heard > silentMS) {
      if (performance.now() - heard < 10000) return;
      source.close();
      say("Not kept up to date: the server does not answer");
      open();
    }
  }, 1000);
  open();
})();
