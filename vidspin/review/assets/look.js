"use strict";
(() => {
  const base = location.pathname;
  const $ = (id) => document.getElementById(id);
  const svgNode = (name, attributes) => {
    const node = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    return node;
  };
  const node = (name, text, css) => {
    const made = document.createElement(name);
    if (text !== undefined) made.textContent = text;
    if (css) made.className = css;
    return made;
  };
  let state, shown = -1, wanted = 0, chosen = -1, loading = false, near = false, drawn = true, asking = null, ended = false;

  /* ---- asking the server ---- */
  const gone = "the program no longer answers; start vidspin look again";
  const ask = async (path, options) => {
    let answer;
    try { answer = await fetch(base + path, { cache: "no-store", ...options }); } catch { throw new Error(gone); }
    if (answer.ok) return answer;
    let told = "";
    try { told = (await answer.json()).error; } catch { /* it said nothing */ }
    throw new Error(told || `refused (${answer.status})`);
  };
  const post = (path, value) => ask(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(value) });
  const say = (text, wrong) => { if (ended) return; $("said").textContent = text; $("said").classList.toggle("wrong", Boolean(wrong)); };

  /* ---- frames ---- */
  const KEPT = 40, kept = new Map();
  const load = (n) => {
    if (kept.has(n)) { const one = kept.get(n); kept.delete(n); kept.set(n, one); return one; }
    const one = (async () => {
      const [frame, sight] = await Promise.all([ask(`frame?n=${n}`).then((a) => a.blob()).catch((error) => error), ask(`sight?n=${n}`).then((a) => a.json())]);
      if (frame instanceof Error) return { sight, wrong: frame.message };
      const url = URL.createObjectURL(frame), probe = new Image();
      probe.src = url;
      await probe.decode();
      return { sight, url };
    })();
    kept.set(n, one);
    one.catch(() => kept.delete(n));
    while (kept.size > KEPT) {
      const [oldest, was] = kept.entries().next().value;
      kept.delete(oldest);
      was.then((it) => it.url && URL.revokeObjectURL(it.url), () => {});
    }
    return one;
  };
  const go = async (n) => {
    wanted = Math.min(Math.max(n, 0), state.frames - 1);
    $("slide").value = wanted;
    if (loading) return;
    loading = true;
    try {
      while (shown !== wanted) {
        const n = wanted, got = await load(n);
        if (ended) return;  // while it was loaded
        draw(n, got);
      }
    } catch (error) { say(error.message, true); wanted = Math.max(shown, 0); }
    loading = false;
    if (shown < 0) return;
    for (const n of [shown + 1, shown - 1]) if (n >= 0 && n < state.frames) load(n).catch(() => {});
  };
  const draw = (n, got) => {
    shown = n;
    const { sight } = got;
    if (got.url) $("frame").setAttribute("href", got.url); else $("frame").removeAttribute("href");
    const [x, y, major, minor, tilt] = sight.ring, lost = sight.followed ? "" : " lost", parts = [];
    const both = (name, css, attributes) => {
      parts.push(svgNode(name, { class: "under", ...attributes }), svgNode(name, { class: css + lost, ...attributes }));
    };
    both("ellipse", "ring", { cx: x, cy: y, rx: major, ry: minor, transform: `rotate(${tilt} ${x} ${y})` });
    for (const [x1, y1, x2, y2] of sight.marks) both("line", "mark", { x1, y1, x2, y2 });
    $("overlay").replaceChildren(...parts);
    $("read-when").textContent = sight.when;
    $("read-frame").textContent = `frame ${n + 1} of ${state.frames}`;
    $("read-told").textContent = got.wrong || sight.told;
    $("picture").setAttribute("aria-label", `Frame ${n + 1} at ${sight.when}: ${got.wrong || sight.told}`);
    $("slide").setAttribute("aria-valuetext", `${sight.when}, frame ${n + 1}`);
    $("picture").dataset.frame = n;
    clearTimeout(draw.later);
    draw.later = setTimeout(() => { if (!asking) $("spoken").textContent = `${sight.when}, frame ${n + 1}`; }, 400);
  };
  const box = () => {
    const [x, y, w, h] = near ? state.near : [0, 0, ...state.size];
    $("picture").setAttribute("viewBox", `${x} ${y} ${w} ${h}`);
    $("near").setAttribute("aria-pressed", near);
    $("drawn").setAttribute("aria-pressed", drawn);
    $("overlay").classList.toggle("hidden", !drawn);
  };

  /* ---- what does not change from frame to frame ---- */
  const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);
  const fill = () => {
    document.title = `Review: ${state.name}`;
    $("name").textContent = state.name;
    $("slide").max = state.frames - 1;
    $("frame").setAttribute("width", state.stored[0]);
    $("frame").setAttribute("height", state.stored[1]);
    $("upright").setAttribute("transform", `matrix(${state.matrix.join(" ")})`);
    $("figures").replaceChildren(...state.figures.flatMap(([label, value]) => [node("dt", label), node("dd", value)]));
    $("ends").replaceChildren(...["release", "topple"].map(end));
    $("instants").replaceChildren(...state.instants.map(place));
    $("left-out").hidden = !state.left_out;
    $("left-out").textContent = `${state.left_out} more are not listed.`;
    $("no-past").hidden = state.reviews.length > 0;
    $("reviews").replaceChildren(...state.reviews.map(review).reverse());
    box();
  };
  const end = (kind) => {
    const one = state.ends[kind], made = node("div", undefined, `end ${kind}`), tools = node("div", undefined, "tools");
    made.id = `end-${kind}`;
    made.append(node("h3", capital(kind)), node("p", one.told, "value"));
    if (one.rpm) made.append(node("p", one.rpm));
    if (one.overruled) made.append(node("p", `stated by a person; found by the program: ${one.found}`, "quiet small"));
    const yes = node("button", "Confirm"), no = node("button", "Overrule at this frame");
    yes.type = no.type = "button";
    yes.setAttribute("aria-label", `Confirm the ${kind}`);
    no.setAttribute("aria-label", `Overrule at this frame: the ${kind}`);
    yes.onclick = () => confirm(kind);
    no.onclick = () => overrule(kind);
    tools.append(yes, no);
    made.append(tools);
    return made;
  };
  const place = (one, number) => {
    const item = node("li"), button = node("button", undefined, one.kind), when = node("time", one.when || "–");
    button.type = "button";
    button.append(node("bdi", capital(one.title)), when, node("span", one.note, "note"));
    button.onclick = () => choose(number);
    button.setAttribute("aria-current", number === chosen);
    item.append(button);
    return item;
  };
  const review = (one) => {
    const item = node("li"), told = one.action === "confirmed" ? `${one.event} confirmed at ${one.to}` : `${one.event} overruled: ${one.from} → ${one.to}`;
    item.append(node("p", capital(told)));
    if (one.reason) { const why = node("p"); why.append(node("bdi", one.reason)); item.append(why); }
    item.append(node("p", one.at, "quiet small"));
    return item;
  };
  const choose = (number) => {
    chosen = Math.min(Math.max(number, 0), state.instants.length - 1);
    const one = state.instants[chosen];
    if (!one) return;
    [...$("instants").querySelectorAll("button")].forEach((button, k) => {
      button.setAttribute("aria-current", k === chosen);
      if (k === chosen) { const list = $("instants"), at = button.offsetTop - list.offsetTop; if (at < list.scrollTop || at + button.offsetHeight > list.scrollTop + list.clientHeight) list.scrollTop = at - 20; }
    });
    say(one.frame === null ? `${capital(one.title)}: ${one.note}` : "");
    $("spoken").textContent = `${capital(one.title)}: ${one.when || one.note}`;
    if (one.frame !== null) go(one.frame);
  };

  /* ---- deciding ---- */
  const open = (what) => {
    asking = what;
    const overruled = what.action === "overruled";
    $("ask-title").textContent = overruled ? `Overrule at ${$("read-when").textContent}` : `Confirm the ${what.event}`;
    $("ask-words").textContent = overruled ? `Frame ${what.frame + 1} becomes the instant. What the program found stays in the record.` : `It stays as it is: ${state.ends[what.event].told}.`;
    $("which").hidden = !overruled;
    for (const radio of $("form").elements.event) radio.checked = radio.value === what.event;
    $("reason-label").textContent = overruled ? "Reason (needed)" : "Remark (if any)";
    $("reason").required = overruled;
    $("reason").value = "";
    $("reason").removeAttribute("aria-invalid");
    $("ask-wrong").textContent = "";
    $("keep").textContent = overruled ? "Overrule" : "Confirm";
    $("ask").showModal();
    $("reason").focus();
  };
  const confirm = (event) => open({ action: "confirmed", event, frame: Math.max(shown, 0) });
  const overrule = (event) => {
    if (shown < 0 || shown !== wanted) { say("The frame is still loading.", true); return; }
    open({ action: "overruled", event, frame: shown });
  };
  const nearest = () => {
    const one = state.instants[chosen];
    if (one && state.ends[one.kind]) return one.kind;
    const away = (kind) => state.ends[kind].frame === null ? Infinity : Math.abs(state.ends[kind].frame - shown);
    if (away("release") === Infinity && away("topple") === Infinity) return shown < state.frames / 2 ? "release" : "topple";
    return away("release") < away("topple") ? "release" : "topple";
  };
  $("form").onsubmit = async (submitted) => {
    submitted.preventDefault();
    if ($("keep").disabled) return;
    const event = asking.action === "overruled" ? $("form").elements.event.value : asking.event, reason = $("reason").value.trim();
    if (asking.action === "overruled" && !reason) {
      $("ask-wrong").textContent = "Say why: the reason is kept with the result.";
      $("reason").setAttribute("aria-invalid", "true");
      $("reason").focus();
      return;
    }
    $("keep").disabled = true;
    try {
      state = await (await post("decide", { event, action: asking.action, frame: asking.frame, reason, of: state.of })).json();
      const told = `${capital(event)} ${asking.action}: ${state.ends[event].told}`;
      chosen = state.instants.findIndex((one) => one.kind === event);
      $("ask").close();
      fill();
      say(told);
    } catch (error) { $("ask-wrong").textContent = error.message; }
    $("keep").disabled = false;
  };
  $("leave").onclick = () => $("ask").close();
  $("ask").addEventListener("close", () => { asking = null; $("viewer").focus({ preventScroll: true }); });
  $("done").onclick = async () => {
    try { await post("done", {}); } catch (error) { say(error.message, true); return; }
    ended = true;
    clearTimeout(draw.later);
    const over = node("main", undefined, "over");
    over.append(node("h1", "The review has ended"), node("p", "What was decided is kept with the result. This page can be closed."));
    over.tabIndex = -1;
    document.body.replaceChildren(over);
    over.focus();
  };

  /* ---- keys and buttons ---- */
  const zoom = () => { near = !near; box(); };
  const hide = () => { drawn = !drawn; box(); };
  const quick = () => say("");
  const step = (by) => { quick(); go(wanted + by); };
  $("back").onclick = () => step(-1);
  $("on").onclick = () => step(1);
  $("back-10").onclick = () => step(-10);
  $("on-10").onclick = () => step(10);
  $("near").onclick = zoom;
  $("drawn").onclick = hide;
  $("slide").oninput = () => { quick(); go(Number($("slide").value)); };
  const enter = () => {
    const one = state.instants[chosen];
    if (one && state.ends[one.kind]) confirm(one.kind);
    else say("Enter confirms the release or the topple: choose one of them with up and down.");
  };
  document.addEventListener("keydown", (pressed) => {
    if (!state || asking || pressed.ctrlKey || pressed.metaKey || pressed.altKey) return;
    const ten = pressed.shiftKey ? 10 : 1, on = document.activeElement;
    const does = {
      ArrowLeft: () => step(-ten), ArrowRight: () => step(ten), ArrowUp: () => choose(chosen - 1), ArrowDown: () => choose(chosen + 1),
      Enter: enter, ...($("letters").checked && { o: () => overrule(nearest()), z: zoom, m: hide }),
    }[pressed.key];
    if (!does || (pressed.key === "Enter" && on && (["BUTTON", "A"].includes(on.tagName) || on.type === "checkbox"))) return;
    pressed.preventDefault();
    does();
  });

  (async () => {
    try { state = await (await ask("state")).json(); } catch (error) { $("name").textContent = "The result cannot be shown"; say(error.message, true); return; }
    fill();
    const first = state.instants.findIndex((one) => one.frame !== null);
    if (first >= 0) choose(first); else go(0);
    $("viewer").focus({ preventScroll: true });
  })();
})();
