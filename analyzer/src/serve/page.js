// The live page: parts of the page are put in as the program wrote them; the charts are drawn here from tiles of numbers.
// No word is made here but times and figures: all others come with the page.
"use strict";
(() => {
  const $ = (id) => document.getElementById(id);
  const main = document.querySelector("main");

  // News: { id: html }. What was open stays open, what had the focus keeps it.
  function put(id, text) {
    const at = $(id);
    if (!at) return;
    const open = [...at.querySelectorAll("details[open]")].map((d) => d.id);
    const held = at.contains(document.activeElement) ? document.activeElement : null;
    const name = held && (held.id || (held.closest("details") || {}).id);
    at.innerHTML = text;
    for (const d of open) if (d && $(d)) $(d).open = true;
    if (name && $(name)) ($(name).querySelector("summary") || $(name)).focus();
  }
  let failed = 0;
  const source = new EventSource("/events");
  source.onmessage = (event) => {
    failed = 0;
    $("lost").hidden = true;
    const parts = JSON.parse(event.data);
    for (const id in parts) put(id, parts[id]);
    if ("lines" in parts) charts.renew();
  };
  source.onerror = () => {
    failed += 1;
    // A stream that was ended at its time is taken up again at once; that is no loss.
    if (failed > 1) $("lost").hidden = false;
    // The token is asked for again after a restart.
    if (source.readyState === EventSource.CLOSED) setTimeout(() => location.reload(), 5000);
  };

  const charts = (() => {
    const box = $("charts"), reading = $("reading");
    const MARGIN = { left: 46, right: 10, top: 8, bottom: 4 };
    const HEIGHT = { voltage: 130, current: 110, source: 150, temperature: 100, charge: 80 };
    const KEPT = 120;
    let facts = null, tiles = new Map(), span = 4 * 3600e3, end = null, follow = true, cursor = null, panels = [], signature = "";

    const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();
    // Lines differ by colour and by dash, so that either is enough.
    const STYLES = [["blue", []], ["red", [8, 3]], ["green", [2, 3]], ["purple", [10, 3, 2, 3]], ["text", [5, 2]], ["orange", [1, 2]], ["sky", [12, 4]]];

    function base() { return main.dataset.tiles; }
    function clamp() {
      const oldest = facts.oldest ?? facts.newest - span;
      span = Math.min(Math.max(span, 5 * 60e3), Math.max(6 * 3600e3, 1.2 * (facts.newest - oldest)));
      if (end === null || follow) end = facts.newest;
      end = Math.min(Math.max(end, oldest + span * 0.2), facts.newest + span * 0.02);
    }
    function level() {
      const fits = facts.levels.findIndex((step) => span / step <= 900);
      return fits < 0 ? facts.levels.length - 1 : fits;
    }

    // A tile is asked for once; one whose time is not over again when there may be more in it.
    function tile(l, n) {
      const key = l + "/" + n, step = facts.levels[l], now = Date.now();
      let t = tiles.get(key);
      const last = (n + 1) * step * facts.columns;
      const stale = t && t.data && !t.busy && t.until < last + 300e3 && facts.newest > t.until && now - t.asked > Math.min(60e3, Math.max(4e3, step / 2));
      const again = t && t.failed && !t.busy && now - t.asked > 5e3;
      if (!t || stale || again) {
        t = t || { data: null };
        t.busy = true; t.failed = false; t.asked = now;
        const until = facts.newest;
        tiles.delete(key); tiles.set(key, t);
        while (tiles.size > KEPT) tiles.delete(tiles.keys().next().value);
        fetch(base() + "/" + key).then((r) => (r.ok ? r.json() : Promise.reject(r.status))).then(
          (data) => { t.data = data; t.until = until; t.busy = false; draw(); },
          () => { t.failed = true; t.busy = false; note(box.dataset.failed); });
      }
      return t;
    }
    function visible() {
      const l = level(), width = facts.levels[l] * facts.columns, out = [];
      for (let n = Math.floor((end - span) / width); n <= Math.floor(Math.min(end, facts.newest) / width); n++) out.push([l, n, tile(l, n)]);
      return out;
    }
    // [time, low, high] of one series in view.
    function points(tilesNow, at) {
      const out = [];
      for (const [l, n, t] of tilesNow) {
        if (!t.data || !t.data.series[at]) { out.push(null); continue; }
        const s = t.data.series[at], step = t.data.step;
        for (let i = 0; i < s.length / 2; i++) {
          const time = t.data.from + i * step;
          if (time + step < end - span || time > end) continue;
          out.push(s[2 * i] === null ? null : [time + step / 2, s[2 * i], s[2 * i + 1]]);
        }
      }
      return out;
    }

    function make() {
      const names = [...new Set(facts.series.map((s) => s.panel))];
      const now = JSON.stringify([facts.series, facts.panels]);
      if (now === signature) return;
      signature = now;
      tiles = new Map();
      box.textContent = "";
      panels = [];
      const band = figure(facts.stage, []);
      panels.push({ ...band, name: "stage", height: 34, series: [] });
      for (const name of names) {
        const series = facts.series.map((s, at) => ({ ...s, at })).filter((s) => s.panel === name);
        const unit = series[0].unit;
        panels.push({ ...figure(facts.panels[name] + ", " + unit, series), name, height: HEIGHT[name] || 100, series });
      }
    }
    function figure(title, series) {
      const f = document.createElement("figure"), c = document.createElement("figcaption"), b = document.createElement("b"), canvas = document.createElement("canvas");
      b.textContent = title;
      c.append(b);
      if (series.length > 1) series.forEach((s, i) => {
        const k = document.createElement("span"), line = document.createElement("canvas");
        k.className = "key";
        line.width = 64; line.height = 20;
        k.append(line, s.label);
        c.append(k);
        s.key = line;
      });
      canvas.setAttribute("role", "img");
      canvas.setAttribute("aria-label", title);
      f.append(c, canvas);
      box.append(f);
      return { canvas, caption: c };
    }

    function time(ms, long) {
      const options = { timeZone: facts.zone, hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
      if (long || span > 36 * 3600e3) Object.assign(options, { day: "numeric", month: "short" });
      if (span < 20 * 60e3) options.second = "2-digit";
      return new Intl.DateTimeFormat("en-GB", options).format(ms);
    }
    function ticks(width) {
      const steps = [1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440, 2880, 10080, 43200].map((m) => m * 60e3);
      const step = steps.find((s) => span / s <= Math.max(2, width / 110)) || steps[steps.length - 1];
      const shift = offset(end);
      const out = [];
      for (let t = Math.ceil((end - span + shift) / step) * step - shift; t <= end; t += step) out.push(t);
      return out;
    }
    // What the zone's clock is ahead of UTC at a moment, ms.
    function offset(ms) {
      const p = {};
      for (const x of new Intl.DateTimeFormat("en-GB", { timeZone: facts.zone, hourCycle: "h23", year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric" }).formatToParts(ms)) p[x.type] = +x.value;
      return Date.UTC(p.year, p.month - 1, p.day, p.hour, p.minute, p.second) - Math.floor(ms / 1000) * 1000;
    }
    function nice(low, high, count) {
      const rough = (high - low) / count, power = 10 ** Math.floor(Math.log10(rough));
      const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough);
      const out = [];
      for (let v = Math.ceil(low / step) * step; v <= high + 1e-9; v += step) out.push(v);
      return { values: out, digits: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
    }

    let waiting = false;
    function draw() { if (!waiting) { waiting = true; requestAnimationFrame(() => { waiting = false; paint(); }); } }
    function paint() {
      if (!facts || facts.newest === null || document.hidden) return;
      clamp();
      const shown = visible();
      const colours = Object.fromEntries(["text", "soft", "rule", "page", "red", "hatch", "bulk", "abs", "flo", "dis", "rest", ...STYLES.map((s) => s[0])].map((n) => [n, ink(n)]));
      panels.forEach((p, i) => paintPanel(p, shown, colours, i === panels.length - 1));
      if (!shown.some((t) => t[2].busy && !t[2].data)) read(shown);
      else note(box.dataset.loading);
    }
    function paintPanel(p, shown, colours, last) {
      const css = p.canvas.clientWidth || box.clientWidth, ratio = window.devicePixelRatio || 1;
      const h = p.height + (last ? 20 : 0);
      p.canvas.width = Math.round(css * ratio); p.canvas.height = Math.round(h * ratio);
      p.canvas.style.height = h + "px";
      const g = p.canvas.getContext("2d");
      g.scale(ratio, ratio);
      const left = MARGIN.left, right = css - MARGIN.right, top = MARGIN.top, bottom = p.height - MARGIN.bottom;
      const x = (t) => left + (t - (end - span)) / span * (right - left);
      g.font = "12px system-ui, sans-serif";
      g.fillStyle = colours.soft; g.strokeStyle = colours.rule; g.lineWidth = 1;
      for (const t of ticks(right - left)) {
        g.beginPath(); g.moveTo(x(t), top); g.lineTo(x(t), bottom); g.stroke();
        if (last) { g.textAlign = x(t) > right - 25 ? "right" : "center"; g.fillText(time(t), x(t), p.height + 13); }
      }
      if (p.name === "stage") { stages(g, p, colours, x, left, right, top, bottom); }
      else {
        const lines = p.series.map((s) => points(shown, s.at));
        let low = Infinity, high = -Infinity;
        for (const l of lines) for (const q of l) if (q) { low = Math.min(low, q[1]); high = Math.max(high, q[2]); }
        const levels = [...new Set(p.series.map((s) => s.level).filter((v) => v !== null && p.series.length === 1))];
        if (low <= high) for (const v of levels) if (v > low - 3 * (high - low + 1) && v < high + 3 * (high - low + 1)) { low = Math.min(low, v); high = Math.max(high, v); }
        if (p.name === "source" || p.name === "current") { low = Math.min(low, 0); high = Math.max(high, 0); }
        if (low > high) { low = 0; high = 1; }
        const air = Math.max((high - low) * 0.08, 0.1);
        low -= air; high += air;
        const y = (v) => bottom - (v - low) / (high - low) * (bottom - top);
        const axis = nice(low, high, Math.max(2, p.height / 34));
        g.textAlign = "right"; g.fillStyle = colours.soft;
        for (const v of axis.values) {
          g.strokeStyle = colours.rule; g.beginPath(); g.moveTo(left, y(v)); g.lineTo(right, y(v)); g.stroke();
          g.fillText(v.toFixed(axis.digits), left - 5, y(v) + 4);
        }
        g.save(); g.beginPath(); g.rect(left, 0, right - left, p.height); g.clip();
        for (const v of levels) { g.strokeStyle = colours.red; g.setLineDash([10, 4, 2, 4]); g.beginPath(); g.moveTo(left, y(v)); g.lineTo(right, y(v)); g.stroke(); }
        lines.forEach((l, i) => {
          const [name, dash] = p.series.length === 1 ? STYLES[0] : STYLES[i % STYLES.length];
          g.strokeStyle = g.fillStyle = colours[name]; g.lineWidth = 1.6;
          trace(g, l, x, y, dash);
          if (p.series[i].key) { const k = p.series[i].key.getContext("2d"); k.clearRect(0, 0, 64, 20); k.strokeStyle = colours[name]; k.lineWidth = 4; k.setLineDash(dash.map((d) => 2 * d)); k.beginPath(); k.moveTo(0, 10); k.lineTo(64, 10); k.stroke(); }
        });
        g.restore();
      }
      if (cursor !== null && cursor >= end - span && cursor <= end) {
        g.setLineDash([]); g.strokeStyle = colours.text; g.lineWidth = 1; g.beginPath(); g.moveTo(x(cursor), 0); g.lineTo(x(cursor), p.height); g.stroke();
      }
    }
    // A line through the middle of each column, and its range where that can be seen.
    function trace(g, l, x, y, dash) {
      g.setLineDash(dash);
      g.beginPath();
      let open = false;
      for (const q of l) {
        if (!q) { open = false; continue; }
        const a = x(q[0]), b = y((q[1] + q[2]) / 2);
        if (open) g.lineTo(a, b); else { g.moveTo(a, b); g.lineTo(a + 0.5, b); }
        open = true;
      }
      g.stroke();
      g.setLineDash([]);
      g.globalAlpha = 0.35;
      g.beginPath();
      for (const q of l) if (q && y(q[1]) - y(q[2]) > 2) { g.moveTo(x(q[0]), y(q[1])); g.lineTo(x(q[0]), y(q[2])); }
      g.stroke();
      g.globalAlpha = 1;
    }
    const FILL = { bulk: ["bulk", "/"], absorption: ["abs", "."], float: ["flo", "-"], equalisation: ["abs", "+"], rest: ["rest", ""], discharge: ["dis", "\\"], unexplained: ["rest", "|"] };
    function stages(g, p, colours, x, left, right, top, bottom) {
      g.save(); g.beginPath(); g.rect(left, top, right - left, bottom - top); g.clip();
      for (const [a, b, word] of facts.stages) {
        const from = Math.max(x(a), left), to = Math.min(x(b), right);
        if (to <= from) continue;
        const [fill, hatch] = FILL[word] || FILL.rest;
        g.fillStyle = colours[fill]; g.fillRect(from, top, to - from, bottom - top);
        pattern(g, hatch, from, to, top, bottom, colours.hatch);
        g.font = "600 12px system-ui, sans-serif"; g.textAlign = "center";
        if (g.measureText(word).width + 8 < to - from) {
          g.lineWidth = 4; g.strokeStyle = colours.page; g.lineJoin = "round"; g.strokeText(word, (from + to) / 2, (top + bottom) / 2 + 4);
          g.fillStyle = colours.text; g.fillText(word, (from + to) / 2, (top + bottom) / 2 + 4);
        }
        g.strokeStyle = colours.soft; g.lineWidth = 1; g.strokeRect(from, top + 0.5, to - from, bottom - top - 1);
      }
      g.restore();
    }
    function pattern(g, kind, from, to, top, bottom, colour) {
      g.save(); g.beginPath(); g.rect(from, top, to - from, bottom - top); g.clip();
      g.strokeStyle = g.fillStyle = colour; g.lineWidth = 0.8; g.beginPath();
      const h = bottom - top;
      if (kind === "/" || kind === "\\") for (let u = from - h - (from % 8); u < to + h; u += 8) { g.moveTo(u, kind === "/" ? bottom : top); g.lineTo(u + h, kind === "/" ? top : bottom); }
      if (kind === "|" || kind === "+") for (let u = from - (from % 6); u < to; u += 6) { g.moveTo(u, top); g.lineTo(u, bottom); }
      if (kind === "-" || kind === "+") for (let v = top + 3; v < bottom; v += 6) { g.moveTo(from, v); g.lineTo(to, v); }
      g.stroke();
      if (kind === ".") for (let u = from - (from % 7); u < to; u += 7) for (let v = top + 3; v < bottom; v += 7) g.fillRect(u, v, 1.4, 1.4);
      g.restore();
    }

    function note(text) { if (reading.textContent !== text) reading.textContent = text; }
    function read(shown) {
      const at = cursor === null ? null : cursor;
      if (at === null) { note(time(end - span, true) + " – " + time(end, true)); return; }
      const parts = [time(at, true)];
      const stage = facts.stages.find((s) => s[0] <= at && at < s[1]);
      if (stage) parts.push(stage[2]);
      for (const p of panels) for (const s of p.series) {
        const near = points(shown, s.at).filter((q) => q).reduce((best, q) => (!best || Math.abs(q[0] - at) < Math.abs(best[0] - at) ? q : best), null);
        if (!near || Math.abs(near[0] - at) > 2 * facts.levels[level()]) continue;
        const digits = s.unit === "V" ? 2 : 1;
        const [a, b] = [near[1].toFixed(digits), near[2].toFixed(digits)];
        parts.push(s.label + " " + (a === b ? a : a + "…" + b) + "\u00a0" + s.unit);
      }
      note(parts.join(" · "));
    }

    function move(part) { follow = false; end += span * part; if (end >= facts.newest) follow = true; draw(); }
    function zoom(by, around) {
      const at = around ?? (follow ? end : end - span / 2), part = (end - at) / span;
      span *= by; clamp(); end = at + part * span; if (around !== undefined && end < facts.newest) follow = false;
      draw();
    }
    const does = { earlier: () => move(-0.5), later: () => move(0.5), closer: () => zoom(0.5), wider: () => zoom(2), end: () => { follow = true; cursor = null; draw(); } };
    for (const b of document.querySelectorAll("[data-does]")) b.addEventListener("click", () => facts && does[b.dataset.does]());
    box.addEventListener("keydown", (e) => {
      if (!facts) return;
      const step = span / 60, keys = {
        ArrowLeft: () => { cursor = (cursor ?? end) - step; if (cursor < end - span) move(-0.25); draw(); },
        ArrowRight: () => { cursor = (cursor ?? end - span) + step; if (cursor > end) move(0.25); draw(); },
        PageUp: does.earlier, PageDown: does.later, "+": does.closer, "=": does.closer, "-": does.wider, End: does.end,
        Home: () => { follow = false; end = (facts.oldest ?? 0) + span; draw(); },
      };
      if (keys[e.key] && !e.ctrlKey && !e.altKey && !e.metaKey) { e.preventDefault(); keys[e.key](); }
    });
    let held = null;
    const timeAt = (e) => {
      const r = box.getBoundingClientRect(), left = r.left + MARGIN.left, width = r.width - MARGIN.left - MARGIN.right;
      return end - span + (e.clientX - left) / width * span;
    };
    box.addEventListener("pointerdown", (e) => { if (facts) { held = { x: e.clientX, end }; box.setPointerCapture(e.pointerId); } });
    box.addEventListener("pointermove", (e) => {
      if (!facts) return;
      if (held && Math.abs(e.clientX - held.x) > 4) { follow = false; end = held.end - (e.clientX - held.x) / box.clientWidth * span; if (end >= facts.newest) follow = true; }
      cursor = timeAt(e); draw();
    });
    const drop = () => { held = null; };
    box.addEventListener("pointerup", drop); box.addEventListener("pointercancel", drop);
    box.addEventListener("pointerleave", () => { cursor = null; if (facts) draw(); });
    box.addEventListener("wheel", (e) => { if (facts && (e.ctrlKey || e.shiftKey)) { e.preventDefault(); zoom(e.deltaY > 0 ? 1.25 : 0.8, timeAt(e)); } }, { passive: false });
    addEventListener("resize", draw);
    document.addEventListener("visibilitychange", draw);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);

    return {
      renew() {
        const at = document.querySelector("[data-lines]");
        facts = at ? JSON.parse(at.dataset.lines) : null;
        const shown = facts && facts.newest !== null && facts.series.length > 0;
        $("history").hidden = !shown;
        if (!shown) { facts = null; return; }
        make();
        draw();
      },
    };
  })();
  charts.renew();
})();
