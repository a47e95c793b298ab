
(() => {
  "use strict";
  const $ = (id) => document.getElementById(id), SHOWN_S = 20, LEFT = 64, RIGHT = 56, WARN_S = 6;
  let token = "", fixed = null, points = [], state = null, seen = 0, newest = 0, drawn = 0, sound = null, phase = "", tops = [], over = false;
  // delays of what was drawn, in ms since the sample was taken; the bench reads them
  window.chairDelays = [];
  const kept = { get: () => { try { return sessionStorage.getItem("chair-token") || ""; } catch (_) { return ""; } },
    set: (v) => { try { sessionStorage.setItem("chair-token", v); } catch (_) { /* only this window forgets */ } } };
  const el = (tag, text, name) => { const e = document.createElement(tag); e.textContent = text; if (name) e.className = name; return e; };
  const num = (v) => v >= 100 ? v.toFixed(0) : v >= 10 ? v.toFixed(1) : v.toFixed(2);
  const signed = (v) => (v < 0 ? "−" : "+") + Math.abs(v).toFixed(1);
  function warn(text) { $("alert").textContent = text; $("alert").hidden = !text; }
  const ask = (path, body) => fetch(path, { cache: "no-store", method: body ? "POST" : "GET",
    headers: Object.assign({ "X-Review-Token": token }, body ? { "Content-Type": "application/json" } : {}), body: body ? JSON.stringify(body) : undefined });

  function beep(hz, ms) {
    try {
      sound = sound || new AudioContext();
      const o = sound.createOscillator(), g = sound.createGain();
      o.frequency.value = hz; g.gain.value = 0.08; o.connect(g); g.connect(sound.destination);
      o.start(); o.stop(sound.currentTime + ms / 1000);
    } catch (_) { /* no sound on this machine: the screen says it too */ }
  }

  function draw() {
    const canvas = $("envelope"), scale = window.devicePixelRatio || 1, w = canvas.clientWidth, h = canvas.clientHeight;
    if (canvas.width !== Math.round(w * scale)) { canvas.width = Math.round(w * scale); canvas.height = Math.round(h * scale); }
    const c = canvas.getContext("2d"), css = getComputedStyle(document.documentElement), n = fixed.labels.length;
    const colour = (name) => css.getPropertyValue(name).trim();
    c.setTransform(scale, 0, 0, scale, 0, 0);
    c.clearRect(0, 0, w, h);
    c.font = "12px system-ui, sans-serif";
    const most = Math.round(SHOWN_S / fixed.point_s), lane = h / n, step = (w - LEFT - RIGHT) / most;
    const first = Math.max(points.length - most, 0);
    for (let k = 0; k < n; k++) {
      let high = 0;
      for (let i = first; i < points.length; i++) if (points[i][k] > high) high = points[i][k];
      tops[k] = Math.max(20, tops[k] || 0, 1.15 * high);
      const base = (k + 1) * lane - 16, room = lane - 34, y = (v) => base - room * Math.min(v / tops[k], 1);
      c.fillStyle = colour("--ink"); c.textAlign = "left"; c.fillText(fixed.labels[k], LEFT + 4, k * lane + 13);
      c.strokeStyle = colour("--rule"); c.beginPath(); c.moveTo(LEFT, base); c.lineTo(w - RIGHT, base); c.stroke();
      c.fillStyle = colour("--soft"); c.textAlign = "right";
      c.fillText("0", LEFT - 6, base + 4); c.fillText(num(tops[k]) + " µV", LEFT - 6, base - room + 8);
      const mvc = state && state.mvc_uv[fixed.labels[k]];
      if (mvc) {
        c.textAlign = "left"; c.fillText("0 %", w - RIGHT + 6, base + 4);
        c.fillText((100 * tops[k] / mvc).toFixed(0) + " %", w - RIGHT + 6, base - room + 8);
        if (mvc < tops[k]) { c.setLineDash([4, 4]); c.beginPath(); c.moveTo(LEFT, y(mvc)); c.lineTo(w - RIGHT, y(mvc)); c.stroke(); c.setLineDash([]); c.fillText("100 %", w - RIGHT + 6, y(mvc) + 4); }
      }
      c.strokeStyle = colour("--accent"); c.lineWidth = 1.5; c.beginPath();
      // one corner for some points, the highest of them, so that drawing is quick and no peak is missed; groups stay
      // with their points, so that the line does not tremble as it moves
      const group = Math.max(1, Math.floor(2 / step)), from = first + (group - (seen - points.length + first) % group) % group;
      for (let i = from; i < points.length; i += group) {
        let v = points[i][k];
        for (let j = i + 1; j < Math.min(i + group, points.length); j++) if (points[j][k] > v) v = points[j][k];
        const x = LEFT + (i - first) * step;
        if (i === from) c.moveTo(x, y(v)); else c.lineTo(x, y(v));
      }
      c.stroke(); c.lineWidth = 1;
    }
    c.fillStyle = colour("--soft"); c.textAlign = "center";
    for (let s = 0; s <= SHOWN_S; s += 5) c.fillText(s < SHOWN_S ? "−" + (SHOWN_S - s) + " s" : "now", LEFT + (w - LEFT - RIGHT) * s / SHOWN_S, h - 2);
  }
  function frame() {
    if (fixed && seen !== drawn) {
      drawn = seen; draw();
      if (newest) { const delays = window.chairDelays; delays.push(Date.now() - newest); if (delays.length > 20000) delays.shift(); }
    }
    requestAnimationFrame(frame);
  }

  function said(text) { return text.replace("{condition}", state.condition); }
  function show() {
    const s = state, clench = s.phase === "clench";
    if (s.phase !== phase) { if (clench && $("tone").checked) beep(880, 200); if (phase === "clench" && $("tone").checked) beep(440, 200); phase = s.phase; $("due").textContent = said(fixed.said[s.phase]); }
    if (s.closed) $("due").textContent = "The session is over.";
    const natural = s.condition === "natural teeth";
    $("condition").textContent = s.phase === "check" || s.phase === "done" ? "" : said(fixed.put_in[natural ? 0 : 1]) + " Trial " + Math.min(s.made + 1, s.asked) + " of " + s.asked + ".";
    $("left").textContent = s.left_s === null || s.closed ? " " : Math.ceil(s.left_s) + " s";
    const order = $("order"); order.textContent = "";
    s.order.forEach((name, k) => { if (k) order.append(" – "); order.append(k === s.place ? el("b", name) : name); });
    if (s.departures.length) order.append(". Departures: " + s.departures.join("; "));
    $("begin").disabled = !["check", "ready", "pause"].includes(s.phase) || s.closed;
    $("add").disabled = !s.cued.length || ["countdown", "clench", "rest"].includes(s.phase) || s.closed;
    $("skip").disabled = s.phase === "done" || s.closed;
    $("end").disabled = s.closed;
    rows("contact", s.contact.map((c) => [c.label, num(c.level_uv), num(c.quietest_uv), c.hum_pct === null ? "–" : c.hum_pct.toFixed(0), c.faults.length ? c.faults.join("; ") : "nothing found"]), (tr, k) => { if (s.contact[k].faults.length) tr.lastChild.className = "wrong"; });
    showTrials();
    if (s.n_events !== showEvents.n) showEvents();
    if (s.closed && !over) { over = true; result().catch(lost); }
  }
  function rows(id, list, after) {
    const body = $(id).tBodies[0], text = JSON.stringify([list, state.closed]);
    if (body.dataset.text === text) return;
    body.dataset.text = text; body.textContent = "";
    list.forEach((cells, k) => { const tr = document.createElement("tr"); cells.forEach((cell) => tr.append(el("td", cell))); body.append(tr); if (after) after(tr, k); });
  }
  function showTrials() {
    const s = state, levels = new Map(s.trials.map((t) => [t.number, t])), head = $("trials").tHead;
    if (!head.rows.length) { const tr = document.createElement("tr"); ["trial", "between the teeth", ...fixed.labels.map((l) => l + ", µV"), "left out because", "drop"].forEach((t) => tr.append(el("th", t))); head.append(tr); }
    rows("trials", s.cued.map(([n, condition]) => {
      const t = levels.get(n);
      return [String(n), condition, ...fixed.labels.map((l) => t && t.levels_uv[l] !== undefined ? num(t.levels_uv[l]) + (s.mvc_uv[l] ? " (" + (100 * t.levels_uv[l] / s.mvc_uv[l]).toFixed(0) + " %)" : "") : "–"), s.dropped[n] ? "dropped: " + s.dropped[n] : t ? t.faults.join("; ") : "not measured yet", ""];
    }), (tr, k) => {
      const n = s.cued[k][0];
      if (s.dropped[n]) { tr.className = "dropped"; return; }
      if (s.closed) return;
      const pick = document.createElement("select");
      pick.setAttribute("aria-label", "Drop trial " + n);
      ["drop …", ...fixed.reasons].forEach((r, i) => { const o = el("option", r); o.value = i ? r : ""; pick.append(o); });
      pick.addEventListener("change", () => { if (pick.value) wish({ what: "drop", number: n, reason: pick.value }); });
      tr.lastChild.append(pick);
    });
    const parts = [];
    for (const [condition, by] of Object.entries(s.spread_pct)) parts.push(condition + ": " + Object.entries(by).map(([l, v]) => l + " spread " + v.toFixed(0) + " %" + (s.tired_pct[condition] && s.tired_pct[condition][l] !== undefined ? ", change " + signed(s.tired_pct[condition][l]) + " % a trial" : "")).join("; "));
    const rest = Object.entries(s.rest_uv).map(([l, v]) => l + " " + num(v) + " µV");
    $("spread").textContent = (rest.length ? "Rest: " + rest.join(", ") + ". " : "") + parts.join(". ");
  }
  function showEvents() {
    const list = $("events"), s = state, fresh = s.events.slice(-(s.n_events - (showEvents.n || 0)));
    list.textContent = "";
    s.events.slice().reverse().forEach((e) => list.append(el("li", e.at_s.toFixed(1) + " s: " + e.text)));
    if (fresh.length) { const last = fresh[fresh.length - 1]; warn(last.text); clearTimeout(showEvents.timer); showEvents.timer = setTimeout(() => warn(""), 1000 * WARN_S); if ($("sound").checked) beep(300, 350); }
    showEvents.n = s.n_events;
  }
  showEvents.n = 0;

  async function wish(what) {
    const response = await ask("/api/do", what), value = await response.json();
    if (!response.ok) { warn(value.error); return; }
    state = value; show();
  }
  async function result() {
    const value = await (await ask("/api/result")).json();
    $("result-box").hidden = false;
    $("files").textContent = value.refusal || "Recording: " + state.file + (value.files.length ? ". Written next to it: " + value.files.join(", ") + "." : ".");
    $("result").innerHTML = value.html; // our own page of the test: everything in it is escaped
    document.body.dataset.over = "1";
  }
  function lost() { if (!over) warn("The session cannot be reached; look at the terminal. What was received is kept."); }
  function take(line) {
    const value = JSON.parse(line);
    if (value.e && value.e.length) { points.push(...value.e); if (points.length > 4000) points = points.slice(-2500); newest = value.at; seen = value.n; }
    if (value.s) { state = value.s; show(); }
  }
  async function follow() {
    const response = await ask("/api/stream"), reader = response.body.getReader(), decoder = new TextDecoder();
    let rest = "";
    for (;;) {
      const part = await reader.read();
      if (part.done) break;
      const lines = (rest + decoder.decode(part.value, { stream: true })).split("\n");
      rest = lines.pop();
      lines.forEach(take);
    }
    state = await (await ask("/api/state")).json(); show();
  }
  async function enter(code) {
    const response = await ask("/api/enter", { code: code }), value = await response.json();
    if (!response.ok) throw new Error(value.error);
    token = value.token; kept.set(token);
  }
  function atTheDoor(text) { $("door").hidden = false; warn(text); $("code").focus(); }
  async function begin() {
    const pass = new URLSearchParams(location.hash.slice(1)).get("pass");
    if (pass) history.replaceState(null, "", location.pathname);
    token = kept.get();
    if (pass) try { await enter(pass); } catch (error) { if (!token) { atTheDoor(error.message); return; } }
    if (!token) { atTheDoor(""); return; }
    const response = await ask("/api/fixed");
    if (response.status === 403) { token = ""; kept.set(""); atTheDoor("This window is not let in, or the session was started anew. Type the code that stands in the terminal."); return; }
    fixed = await response.json();
    $("about").textContent = fixed.stream;
    $("door").hidden = true; $("main").hidden = false; warn("");
    document.body.dataset.ready = "1";
    frame();
    await follow();
  }
  $("door").addEventListener("submit", (event) => { event.preventDefault(); enter($("code").value).then(begin).catch((error) => atTheDoor(error.message)); });
  document.querySelectorAll("[data-do]").forEach((b) => b.addEventListener("click", () => { if (b.dataset.do !== "end" || confirm("End the session? What was recorded is kept.")) wish({ what: b.dataset.do }); }));
  begin().catch(lost);
})();
