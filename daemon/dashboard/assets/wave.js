// Draws the waveforms of a bench's leads. Sentences and tables come made from the
// server; only the lines are drawn here.
"use strict";
(() => {
  const root = document.getElementById("waves");
  const spanMS = 30000, stepMS = 50, leastMS = 450, calmMS = 1000;
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const colour = (name) => getComputedStyle(root).getPropertyValue("--" + name).trim();
  const { sense, live, dead, liveV, deadV } = root.dataset;

  // The steps: when each began on the bench's clock, and each lead's extremes.
  let at = [], endMS = 0, endAt = null;
  const leads = new Map();
  for (const el of root.querySelectorAll(".wave")) leads.set(el.dataset.lead, { el, min: [], max: [], plot: null });
  if (sense && !leads.has(sense)) leads.set(sense, { min: [], max: [] }); // not drawn, but the limits follow it

  function take(u) {
    if (u.whole) {
      at = [];
      for (const l of leads.values()) l.min = [], l.max = [];
    }
    at.push(...u.at_ms);
    const old = at.findIndex((t) => t >= u.end_ms - spanMS);
    at.splice(0, old);
    for (const told of u.leads) {
      const l = leads.get(told.lead);
      if (!l) continue;
      l.min.push(...told.min);
      l.max.push(...told.max);
      l.min.splice(0, old);
      l.max.splice(0, old);
      l.told = told;
    }
    endMS = u.end_ms;
    endAt = performance.now() - u.age_ms;
    draw();
  }

  // Every step has two points, its begin and its end; after a gap a line begins anew.
  function points(nowMS) {
    const x = [], step = [];
    at.forEach((t, i) => {
      const joined = i + 1 < at.length && at[i + 1] - t < 1.5 * stepMS;
      const end = joined ? at[i + 1] : t + stepMS;
      x.push((t - nowMS) / 1000, (end - nowMS) / 1000);
      step.push(i, i);
      if (!joined) x.push((end - nowMS) / 1000), step.push(-1);
    });
    return { x, of: (list) => step.map((i) => (i < 0 ? null : list[i])) };
  }

  // The limits follow the battery; without its lead they stand.
  function limit(share, volts) {
    const b = leads.get(sense);
    if (share === undefined || (sense && !b)) return null;
    return at.map((_, i) => (!sense ? Number(volts) : b.min[i] === null ? null : Number(share) * (b.min[i] + b.max[i]) / 2));
  }

  let drawn = -Infinity, paused = false;
  function draw() {
    const now = performance.now();
    if (paused || endAt === null || now - drawn < (calm.matches ? calmMS : leastMS)) return;
    drawn = now;
    const p = points(endMS + now - endAt);
    const over = limit(live, liveV), under = limit(dead, deadV);
    for (const [lead, l] of leads) {
      if (!l.el) continue;
      const judged = lead !== sense && over && under;
      const none = at.map(() => null);
      l.plot ??= plot(l.el.querySelector(".plot"));
      l.plot.setData([p.x, p.of(l.min), p.of(l.max), p.of(judged ? over : none), p.of(judged ? under : none)]);
      tell(l);
    }
  }

  function tell(l) {
    const text = performance.now() - endAt < spanMS ? l.told.sentence : "Nothing was heard in the last 30 s.";
    const s = l.el.querySelector("figcaption");
    if (s.textContent !== text) s.textContent = text;
    if (!l.el.querySelector("details").open) return;
    l.el.querySelector("tbody").replaceChildren(...l.told.rows.map((row) => {
      const tr = document.createElement("tr");
      row.forEach((words, i) => {
        const cell = document.createElement(i ? "td" : "th");
        if (!i) cell.scope = "row";
        cell.textContent = words;
        tr.append(cell);
      });
      return tr;
    }));
  }

  const font = "14px system-ui, sans-serif";
  function plot(el) {
    el.hidden = false;
    const axis = (more) => ({ stroke: () => colour("text"), grid: { stroke: () => colour("line"), width: 1 }, ticks: { stroke: () => colour("line"), width: 1 }, font, ...more });
    const edge = { stroke: () => colour("text"), width: 1.5, points: { show: false } };
    const rule = { stroke: () => colour("look"), width: 1.5, dash: [7, 5], points: { show: false } };
    const u = new uPlot({
      width: el.clientWidth, height: el.clientHeight,
      legend: { show: false }, cursor: { show: false }, select: { show: false },
      scales: { x: { time: false, range: [-spanMS / 1000, 0] }, y: { range: (_, least, most) => [Math.min(-0.5, least ?? 0), Math.max(16, most ?? 0)] } },
      axes: [axis({ values: (_, s) => s.map((v) => (v ? -v + " s" : "now")) }), axis({ values: (_, s) => s.map((v) => v + " V"), size: 56 })],
      series: [{}, edge, edge, rule, rule],
      bands: [{ series: [2, 1], fill: () => colour("soft") + "66" }],
      hooks: { draw: [(u) => [["live above ", 3], ["no volts below ", 4]].forEach(([words, i]) => name(u, words, u.data[i]))] },
    }, [[], [], [], [], []], el);
    new ResizeObserver(() => u.setSize({ width: el.clientWidth, height: el.clientHeight })).observe(el);
    return u;
  }

  // A limit's name stands on it, at the left.
  function name(u, words, data) {
    const v = data.findLast((x) => x !== null);
    if (v === undefined) return;
    const c = u.ctx, px = devicePixelRatio;
    c.save();
    c.font = px * 14 + "px system-ui, sans-serif";
    c.textAlign = "left";
    c.textBaseline = "bottom";
    const y = u.valToPos(v, "y", true) - 3 * px, x = u.bbox.left + 6 * px, text = words + v.toFixed(1) + " V";
    c.fillStyle = colour("ground");
    c.globalAlpha = 0.75;
    c.fillRect(x - 2 * px, y - 15 * px, c.measureText(text).width + 4 * px, 17 * px);
    c.globalAlpha = 1;
    c.fillStyle = colour("look");
    c.fillText(text, x, y);
    c.restore();
  }

  const pause = document.getElementById("w-pause");
  pause.hidden = false;
  pause.addEventListener("click", () => {
    paused = !paused;
    pause.textContent = paused ? "Paused: go on" : "Pause";
    drawn = -Infinity;
    draw();
  });
  matchMedia("(prefers-color-scheme: light)").addEventListener("change", () => { for (const l of leads.values()) l.plot?.redraw(); });
  document.addEventListener("waveform", (e) => take(e.detail));
  setInterval(draw, 1000);
})();
