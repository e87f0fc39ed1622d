"use strict";
(() => {
  const data = JSON.parse(document.getElementById("chart-data").textContent);
  const chart = document.getElementById("chart");
  const read = document.getElementById("read");
  const said = document.getElementById("said");
  const dialog = document.getElementById("stills");
  document.documentElement.classList.add("has-script");

  const NS = "http://www.w3.org/2000/svg";
  const LEFT = 62, RIGHT = 14, TOP = 44, PANEL = 250, BETWEEN = 34, LOWER = 54, FOOT = 44;
  const STEPS = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900,
    1200, 1800, 3600, 7200, 14400, 36000];
  const DASHES = ["", "7 4", "2 3", "10 3 2 3", "4 2", "1 2", "12 4", "6 2 2 2", "3 6", "8 8", "2 6", "5 1"];
  const t = data.time, curves = data.curves, u = data.u95, n = t.length;
  const single = data.resolved;
  const gapAfter = data.step * 1.5;
  const least = Math.max(data.step * 8, data.span / 2000);
  let from = 0, to = data.span, at = -1, width = 0, drag = null, pick = null;

  const svg = document.createElementNS(NS, "svg");
  svg.setAttribute("aria-hidden", "true");

  /* ---- numbers in words, the same way as everywhere in the report ---- */
  const clock = (s, decimals) => {
    const step = Math.pow(10, decimals), whole = Math.round(s * step) / step;
    const h = Math.floor(whole / 3600), m = Math.floor(whole / 60) % 60;
    const rest = (whole - 60 * Math.floor(whole / 60)).toFixed(decimals).padStart(decimals ? 3 + decimals : 2, "0");
    return `${h}:${String(m).padStart(2, "0")}:${rest}`;
  };
  const places = (v) => v > 0 ? Math.max(0, 1 - Math.floor(Math.log10(v))) : 1;
  const speed = (i) => {
    if (single) {
      const v = curves[0].rpm[i];
      if (v === null) return "speed not known";
      const d = u[i] === null ? 1 : places(u[i]);
      return `${v.toFixed(d)}${u[i] === null ? "" : ` ± ${u[i].toFixed(d)}`} rev/min`;
    }
    const all = curves.filter((c) => c.rpm[i] !== null);
    if (!all.length) return "speed not known";
    return "unresolved: " + all.map((c) => `${c.rpm[i].toFixed(1)} (${c.share})`).join(" or ") + " rev/min";
  };

  /* ---- drawing ---- */
  const add = (name, attributes, words) => {
    const node = document.createElementNS(NS, name);
    for (const key in attributes) node.setAttribute(key, attributes[key]);
    if (words !== undefined) node.textContent = words;
    svg.append(node);
    return node;
  };
  const x = (s) => LEFT + (s - from) / (to - from) * (width - LEFT - RIGHT);
  const time = (px) => from + (px - LEFT) / (width - LEFT - RIGHT) * (to - from);
  const firstAt = (s) => { let a = 0, b = n; while (a < b) { const m = (a + b) >> 1; if (t[m] < s) a = m + 1; else b = m; } return a; };
  const round = (span, most) => {
    const power = Math.pow(10, Math.floor(Math.log10(span / most)));
    return [1, 2, 2.5, 5, 10].map((k) => k * power).find((k) => span / k <= most) || 10 * power;
  };
  const limits = (lists, a, b) => {
    let low = Infinity, high = -Infinity;
    for (const list of lists) for (let i = a; i < b; i++) if (list[i] !== null) { low = Math.min(low, list[i]); high = Math.max(high, list[i]); }
    return [low, high];
  };
  /* lowest and highest value of each column where points are denser than the screen */
  const path = (list, y, a, b) => {
    const dense = (b - a) / Math.max(1, width) > 3;
    let out = "", last = null, column = null, low = null, high = null;
    const put = (s, v) => { out += `${last === null || s - last > gapAfter * (dense ? 4 : 1) ? "M" : "L"}${x(s).toFixed(1)} ${y(v).toFixed(1)}`; last = s; };
    const flush = () => { if (low === null) return; const two = low[0] <= high[0] ? [low, high] : [high, low]; put(...two[0]); if (two[0] !== two[1]) put(...two[1]); low = high = null; };
    for (let i = a; i < b; i++) {
      if (list[i] === null) { flush(); last = null; continue; }
      if (!dense) { put(t[i], list[i]); continue; }
      const here = Math.floor(x(t[i]));
      if (here !== column) { flush(); column = here; }
      if (low === null || list[i] < low[1]) low = [t[i], list[i]];
      if (high === null || list[i] > high[1]) high = [t[i], list[i]];
    }
    flush();
    return out;
  };
  const band = (a, b, y) => {
    let out = "", run = [];
    const close = () => { if (run.length > 1) out += "M" + run.map((i) => `${x(t[i]).toFixed(1)} ${y(curves[0].rpm[i] + u[i]).toFixed(1)}`).join("L") + "L" + run.reverse().map((i) => `${x(t[i]).toFixed(1)} ${y(curves[0].rpm[i] - u[i]).toFixed(1)}`).join("L") + "Z"; run = []; };
    for (let i = a; i < b; i++) {
      if (curves[0].rpm[i] === null || u[i] === null) { close(); continue; }
      if (run.length && t[i] - t[run[run.length - 1]] > gapAfter) close();
      run.push(i);
    }
    close();
    return out;
  };

  function draw() {
    width = Math.max(280, chart.clientWidth);
    const bottom = single ? TOP + PANEL + BETWEEN + LOWER : TOP + PANEL, height = bottom + FOOT;
    svg.replaceChildren();
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    svg.setAttribute("width", width); svg.setAttribute("height", height);
    chart.classList.toggle("zoomed", to - from < data.span * 0.999);
    const a = Math.max(0, firstAt(from) - 1), b = Math.min(n, firstAt(to) + 1);
    const whole = to - from > data.span * 0.999;
    let [low, high] = limits(curves.map((c) => c.rpm), a, b);
    if (low > high) { low = 0; high = 1; }
    if (whole) { low = 0; high *= 1.06; } else {
      let most = 0;
      if (single) for (let i = a; i < b; i++) if (u[i] !== null) most = Math.max(most, Math.min(u[i], data.u_usual));
      const room = Math.max(0.06 * (high - low), 1.5 * most, 1e-6 * high);
      low -= room; high += room;
    }
    const y = (v) => TOP + PANEL - (v - low) / (high - low) * PANEL;
    const clip = add("clipPath", { id: "plot" });
    const room = document.createElementNS(NS, "rect");
    for (const [key, value] of Object.entries({ x: LEFT, y: TOP - 6, width: width - LEFT - RIGHT, height: bottom - TOP + 6 })) room.setAttribute(key, value);
    clip.append(room);
    /* unseen stretches */
    for (const [s, e] of data.gaps) if (e > from && s < to) add("rect", { class: "c-gap", x: x(Math.max(s, from)), y: TOP, width: Math.max(1, x(Math.min(e, to)) - x(Math.max(s, from))), height: bottom - TOP });
    /* grid */
    const most = Math.max(2, Math.floor((width - LEFT - RIGHT) / 92));
    const step = STEPS.find((k) => (to - from) / k <= most) || 72000;
    const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    for (let k = Math.ceil(from / step - 1e-9); k * step <= to + 1e-9; k++) {
      add("path", { class: "c-grid", d: `M${x(k * step)} ${TOP}V${bottom}` });
      add("text", { class: "c-word", x: x(k * step), y: bottom + 17, "text-anchor": "middle" }, data.span > 120 ? clock(k * step, decimals) : (k * step).toFixed(decimals));
    }
    const rise = round(high - low, 6), digits = Math.max(0, Math.min(6, -Math.floor(Math.log10(rise) + 1e-9) + (rise / Math.pow(10, Math.floor(Math.log10(rise) + 1e-9)) % 1 ? 1 : 0)));
    for (let k = Math.ceil(low / rise - 1e-9); k * rise <= high; k++) {
      add("path", { class: "c-grid", d: `M${LEFT} ${y(k * rise)}H${width - RIGHT}` });
      add("text", { class: "c-word", x: LEFT - 7, y: y(k * rise) + 4, "text-anchor": "end" }, (k * rise).toFixed(digits));
    }
    add("path", { class: "c-axis", d: `M${LEFT} ${TOP}V${TOP + PANEL}H${width - RIGHT}` });
    add("text", { class: "c-word", x: 2, y: TOP - 30 }, "speed, rev/min");
    add("text", { class: "c-word", x: (LEFT + width - RIGHT) / 2, y: bottom + 36, "text-anchor": "middle" }, data.span > 120 ? "time from the first frame, h:mm:ss" : "time from the first frame, s");
    /* curves */
    if (single && (b - a) <= 4000) add("path", { class: "c-band", d: band(a, b, y), "clip-path": "url(#plot)" });
    curves.forEach((c, i) => {
      const d = path(c.rpm, y, a, b);
      add("path", { class: "c-line", d, "clip-path": "url(#plot)", "stroke-dasharray": single ? "" : DASHES[i % DASHES.length] });
    });
    if (!single) labels(y, a, b);
    if (single) {
      const top = TOP + PANEL + BETWEEN;
      let [, worst] = limits([u], a, b);
      worst = Math.max(Math.min(worst, data.u_usual) * 1.15, 1e-6);
      const v = (k) => top + LOWER - Math.min(1, k / worst) * LOWER;
      const unit = round(worst, 2);
      for (let k = 0; k * unit <= worst; k++) {
        add("path", { class: "c-grid", d: `M${LEFT} ${v(k * unit)}H${width - RIGHT}` });
        add("text", { class: "c-word", x: LEFT - 7, y: v(k * unit) + 4, "text-anchor": "end" }, Number((k * unit).toPrecision(3)));
      }
      add("path", { class: "c-axis", d: `M${LEFT} ${top}V${top + LOWER}H${width - RIGHT}` });
      add("text", { class: "c-word", x: LEFT + 8, y: top - 4 }, "± 95 %, rev/min" + (data.beyond ? ` (${data.beyond})` : ""));
      add("path", { class: "c-line", d: path(u, v, a, b), "clip-path": "url(#plot)" });
    }
    /* events and failed checks */
    let free = LEFT;
    for (const mark of data.marks) {
      if (mark.time < from || mark.time > to) continue;
      const px = x(mark.time);
      add("path", { class: `c-${mark.kind}`, d: `M${px} ${TOP - 6}V${bottom}` });
      const wide = 6.4 * mark.label.length, start = Math.min(Math.max(px - wide / 2, free), width - wide);
      if (start >= free - 0.1) { add("text", { class: "c-word", x: start, y: TOP - 10 }, mark.label); free = start + wide + 8; }
    }
    /* cursor and picked stretch */
    if (pick) add("rect", { class: "c-pick", x: Math.min(...pick), y: TOP, width: Math.abs(pick[1] - pick[0]), height: bottom - TOP });
    if (at >= 0 && t[at] >= from && t[at] <= to) {
      add("path", { class: "c-hair", d: `M${x(t[at])} ${TOP}V${bottom}` });
      for (const c of curves) if (c.rpm[at] !== null) add("circle", { class: "c-dot", cx: x(t[at]), cy: y(c.rpm[at]), r: 4 });
    }
  }
  const labels = (y, a, b) => {
    const taken = [];
    curves.forEach((c) => {
      let k = a; while (k < b && (c.rpm[k] === null || t[k] < from)) k++;
      if (k >= b) return;
      let h = y(c.rpm[k]) - 6;
      while (taken.some((o) => Math.abs(o - h) < 13)) h -= 13;
      taken.push(h);
      if (h > TOP) add("text", { class: "c-word", x: Math.max(LEFT + 8, x(t[k]) + 4), y: h }, `alias order ${c.order}`);
    });
  };

  /* ---- looking around ---- */
  const frame = (() => { let asked = false; return () => { if (asked) return; asked = true; requestAnimationFrame(() => { asked = false; draw(); }); }; })();
  const view = (a, b) => {
    const span = Math.min(data.span, Math.max(least, b - a));
    const middle = (a + b) / 2;
    from = Math.min(Math.max(0, middle - span / 2), data.span - span); to = from + span;
    buttons.out.disabled = buttons.whole.disabled = span > data.span * 0.999;
    buttons.left.disabled = from <= 0; buttons.right.disabled = to >= data.span * 0.9999;
    buttons.in.disabled = span <= least * 1.0001;
    frame();
  };
  const zoom = (factor, around) => { const c = around === undefined ? (at >= 0 && t[at] > from && t[at] < to ? t[at] : (from + to) / 2) : around; view(c - (c - from) * factor, c + (to - c) * factor); };
  const pan = (part) => { const s = to - from; const a = Math.min(Math.max(0, from + part * s), data.span - s); view(a, a + s); };
  let hush = 0;
  const show = (i, aloud) => {
    if (!n) return;
    at = Math.min(n - 1, Math.max(0, i));
    const when = clock(t[at], data.step < 0.2 ? 2 : 1), what = speed(at);
    read.replaceChildren(Object.assign(document.createElement("b"), { textContent: what }), ` at ${when}`);
    if (aloud) { clearTimeout(hush); hush = setTimeout(() => { said.textContent = `${what} at ${when}`; }, 250); }
    frame();
  };
  const nearest = (s) => { const i = firstAt(s); return i > 0 && (i >= n || s - t[i - 1] < t[i] - s) ? i - 1 : i; };
  const buttons = {};
  for (const name of ["in", "out", "left", "right", "whole"]) buttons[name] = document.getElementById(`zoom-${name}`);
  buttons.in.onclick = () => zoom(0.5); buttons.out.onclick = () => zoom(2); buttons.whole.onclick = () => view(0, data.span);
  buttons.left.onclick = () => pan(-0.4); buttons.right.onclick = () => pan(0.4);

  chart.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const far = Math.max(1, Math.round((firstAt(to) - firstAt(from)) / 20));
    const start = at < 0 ? nearest((from + to) / 2) : at;
    const keys = {
      ArrowLeft: () => event.shiftKey ? pan(-0.25) : show(start - 1, true), ArrowRight: () => event.shiftKey ? pan(0.25) : show(start + 1, true),
      PageUp: () => show(start - far, true), PageDown: () => show(start + far, true),
      Home: () => show(0, true), End: () => show(n - 1, true),
      "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), "0": () => view(0, data.span),
    };
    const act = keys[event.key];
    if (!act) return;
    event.preventDefault(); act();
    if (at >= 0 && !event.shiftKey && event.key.length > 1 && (t[at] < from || t[at] > to)) view(t[at] - (to - from) / 2, t[at] + (to - from) / 2);
  });
  const place = (event) => (event.clientX - svg.getBoundingClientRect().left) * width / svg.getBoundingClientRect().width;
  const fingers = new Map();
  svg.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    fingers.set(event.pointerId, place(event));
    svg.setPointerCapture(event.pointerId);
    const px = place(event), zoomed = to - from < data.span * 0.999;
    drag = { px, from, to, move: zoomed && !event.shiftKey, touch: event.pointerType === "touch", far: false };
    if (fingers.size === 2) { const [p, q] = [...fingers.values()]; drag.pinch = [time(p), time(q)]; pick = null; }
    if (!drag.touch) chart.focus({ preventScroll: true });
  });
  svg.addEventListener("pointermove", (event) => {
    const px = place(event);
    if (!fingers.has(event.pointerId)) { show(nearest(time(px)), false); return; }
    fingers.set(event.pointerId, px);
    if (!drag) return;
    if (drag.pinch && fingers.size === 2) {
      const [p, q] = [...fingers.values()], [s, e] = drag.pinch;
      if (Math.abs(q - p) > 12 && s !== e) { const per = (e - s) / (q - p); const a = s - (p - LEFT) * per; if (per > 0) view(a, a + per * (width - LEFT - RIGHT)); }
      return;
    }
    if (Math.abs(px - drag.px) > 4) drag.far = true;
    if (!drag.far) return;
    if (drag.move) { const by = (px - drag.px) / (width - LEFT - RIGHT) * (drag.to - drag.from); const a = Math.min(Math.max(0, drag.from - by), data.span - (drag.to - drag.from)); view(a, a + drag.to - drag.from); }
    else if (!drag.touch) { pick = [drag.px, px]; frame(); }
    else show(nearest(time(px)), false);
  });
  const done = (event) => {
    const px = fingers.get(event.pointerId);
    fingers.delete(event.pointerId);
    if (!drag) return;
    if (pick && event.type === "pointerup" && Math.abs(pick[1] - pick[0]) > 6) { const two = pick.map(time).sort((p, q) => p - q); pick = null; view(two[0], two[1]); }
    else if (!drag.far && !drag.pinch && event.type === "pointerup" && px !== undefined) touched(px);
    pick = null;
    if (!fingers.size) drag = null;
    frame();
  };
  svg.addEventListener("pointerup", done);
  svg.addEventListener("pointercancel", done);
  svg.addEventListener("dblclick", (event) => zoom(0.4, time(place(event))));
  svg.addEventListener("wheel", (event) => {
    if (!(event.ctrlKey || event.metaKey || chart.contains(document.activeElement))) return;
    event.preventDefault();
    if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) pan(event.deltaX / width); else zoom(Math.exp(Math.sign(event.deltaY) * 0.22), time(place(event)));
  }, { passive: false });

  /* ---- events and their stills ---- */
  const touched = (px) => {
    const near = data.marks.filter((m) => m.time >= from && m.time <= to && Math.abs(x(m.time) - px) < 10).sort((p, q) => Math.abs(x(p.time) - px) - Math.abs(x(q.time) - px))[0];
    if (near) open(near); else show(nearest(time(px)), true);
  };
  const open = (mark) => {
    show(nearest(mark.time), false);
    const source = document.getElementById(mark.target);
    if (!source) return;
    if (mark.kind === "fail" || !dialog.showModal) { source.scrollIntoView({ block: "center" }); source.focus({ preventScroll: true }); return; }
    const copy = source.cloneNode(true);
    copy.removeAttribute("id");
    copy.querySelectorAll("[id]").forEach((node) => node.removeAttribute("id"));
    const title = copy.querySelector("h3");
    dialog.querySelector("h2").textContent = title ? title.textContent : mark.label;
    if (title) title.remove();
    dialog.querySelector(".body").replaceChildren(copy);
    dialog.showModal();
  };
  dialog.querySelector("button").onclick = () => dialog.close();
  dialog.addEventListener("click", (event) => { if (event.target === dialog) dialog.close(); });
  document.querySelectorAll("[data-mark]").forEach((button) => { button.onclick = () => open(data.marks[Number(button.dataset.mark)]); });

  const old = chart.querySelector("svg");
  if (old) old.replaceWith(svg); else chart.append(svg);
  chart.classList.add("live");
  chart.tabIndex = 0;
  new ResizeObserver(frame).observe(chart);
  const printed = () => { from = 0; to = data.span; at = -1; draw(); };
  window.addEventListener("beforeprint", printed);
  view(0, data.span);
  draw();
})();
