// Charts of the report: a reading line with values, and zoom. Without this script they are the same pictures, only still.
// It reads values off the drawn lines, so that nothing is in the file twice; no word is made here but times and figures.
"use strict";
addEventListener("DOMContentLoaded", () => {
  for (const chart of document.querySelectorAll(".chart[data-from]")) {
    const from = +chart.dataset.from, to = +chart.dataset.to, zone = chart.dataset.zone;
    const out = chart.querySelector("output"), tools = chart.querySelector(".tools");
    let k = 1, left = 0, at = null; // zoom, begin of what is seen (0..1), reading line (0..1)
    const panels = [...chart.querySelectorAll("svg[data-plot]")].map((svg, n) => {
      const [x0, x1, y0, y1, low, high] = svg.dataset.plot.split(",").map(Number), NS = svg.namespaceURI;
      const make = (name, attributes) => { const e = document.createElementNS(NS, name); for (const a in attributes) e.setAttribute(a, attributes[a]); return e; };
      // A drawing inside the drawing cuts off what zooming pushes out of it.
      const height = svg.viewBox.baseVal.height, outer = make("svg", { x: x0, y: 0, width: x1 - x0, height, viewBox: `${x0} 0 ${x1 - x0} ${height}` }), group = make("g", {});
      for (const e of [...svg.children]) if (e.localName !== "text" && !e.matches(".axis")) group.append(e);
      const texts = [...svg.querySelectorAll("text")].map((e) => ({ e, x: +e.getAttribute("x") })).filter((t) => t.x > x0);
      const line = make("path", { class: "read", d: "" });
      outer.append(group, line);
      svg.prepend(outer);
      // No finer than what is drawn.
      const digits = Math.min(2, Math.max(0, Math.ceil(-Math.log10((high - low) / (y1 - y0)) - 0.3)));
      let lines = null;
      // The drawn lines with their names, as absolute points in the order of time.
      const points = () => lines ??= (svg.dataset.lines || "").split(",").filter((c) => c).map((name) => {
        const [cls, unit, ...label] = name.split("|"), all = [];
        for (const p of group.querySelectorAll("path." + cls)) {
          const numbers = p.getAttribute("d").match(/-?\d+/g).map(Number);
          let [x, y] = numbers;
          const part = [[x, y]];
          for (let i = 2; i + 1 < numbers.length; i += 2) part.push([(x += numbers[i]), (y += numbers[i + 1])]);
          if (part.length) all.push(part);
        }
        return { label: label.join("|"), unit, all };
      });
      const values = (part) => points().map(({ label, unit, all }) => {
        const x = x0 + part * (x1 - x0);
        for (const p of all) {
          const i = p.findIndex((q) => q[0] >= x);
          if (i < 0 || (i === 0 && p[0][0] - x > (x1 - x0) / 400)) continue;
          const a = p[Math.max(0, i - 1)], b = p[i], y = b[0] === a[0] ? b[1] : a[1] + (b[1] - a[1]) * (Math.max(x, a[0]) - a[0]) / (b[0] - a[0]);
          const v = low + (y1 - y) / (y1 - y0) * (high - low);
          return `${label} ${v.toFixed(digits)}\u00a0${unit}`;
        }
        return "";
      }).filter((t) => t);
      return { svg, x0, x1, group, texts, line, values };
    });
    const time = (part) => new Intl.DateTimeFormat("en-GB", { timeZone: zone, day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", second: k > 20 ? "2-digit" : undefined, hourCycle: "h23" }).format(from + part * (to - from));
    const draw = () => {
      k = Math.min(Math.max(k, 1), 200);
      left = Math.min(Math.max(left, 0), 1 - 1 / k);
      for (const p of panels) {
        const w = p.x1 - p.x0, x = (part) => p.x0 + (part - left) * k * w, shift = p.x0 - k * (p.x0 + left * w);
        p.group.setAttribute("transform", k === 1 ? "" : `matrix(${k} 0 0 1 ${shift} 0)`);
        for (const t of p.texts) { const there = k * t.x + shift; t.e.setAttribute("x", there); t.e.style.display = there < p.x0 || there > p.x1 + 60 ? "none" : ""; }
        p.line.setAttribute("d", at === null ? "" : `M${x(at)},0V9999`);
      }
      if (at === null) { out.textContent = k === 1 ? "" : time(left) + " \u2013 " + time(left + 1 / k); return; }
      const seen = panels.filter((p) => p.svg.getClientRects().length);
      out.textContent = [time(at), ...seen.flatMap((p) => p.values(at))].join(" \u00b7 ");
    };
    const zoom = (by) => { const middle = at ?? left + 0.5 / k; const there = (middle - left) * k; k *= by; k = Math.min(Math.max(k, 1), 200); left = middle - there / k; draw(); };
    const does = { closer: () => zoom(2), wider: () => zoom(0.5), whole: () => { k = 1; draw(); } };
    tools.hidden = false;
    for (const b of tools.querySelectorAll("button")) b.addEventListener("click", does[b.dataset.does]);
    chart.tabIndex = 0;
    chart.addEventListener("keydown", (e) => {
      const step = 1 / k / 100, keys = {
        ArrowLeft: () => { at = Math.max(0, (at ?? left + 0.5 / k) - step); if (at < left) left -= 0.25 / k; },
        ArrowRight: () => { at = Math.min(1, (at ?? left + 0.5 / k) + step); if (at > left + 1 / k) left += 0.25 / k; },
        "+": does.closer, "-": does.wider, "0": does.whole,
      };
      if (e.target === chart && keys[e.key]) { e.preventDefault(); keys[e.key](); draw(); }
    });
    let held = null;
    const partAt = (e) => {
      const p = panels.find((q) => q.svg.getClientRects().length), r = p.svg.getBoundingClientRect(), unit = r.width / p.svg.viewBox.baseVal.width;
      return left + ((e.clientX - r.left) / unit - p.x0) / (p.x1 - p.x0) / k;
    };
    chart.addEventListener("pointerdown", (e) => { if (e.target.closest("svg")) held = { part: partAt(e), left }; });
    addEventListener("pointerup", () => { held = null; });
    chart.addEventListener("pointermove", (e) => {
      if (!e.target.closest("svg")) return;
      if (held && k > 1) { left += held.part - partAt(e); }
      at = Math.min(Math.max(partAt(e), 0), 1);
      draw();
    });
    chart.addEventListener("pointerleave", () => { at = null; draw(); });
    chart.addEventListener("wheel", (e) => { if (e.ctrlKey || e.shiftKey) { e.preventDefault(); zoom(e.deltaY > 0 ? 0.8 : 1.25); } }, { passive: false });
  }
});
