(function () {
  const RIGHT = 10, LEFT = 84, HEAD = 20, FOOT = 24, ROW = 20, LANE = 46, MANY = 250, WHOLE = 72, NAME = 15;
  const $ = (id) => document.getElementById(id);
  const whole = $("whole"), trace = $("trace"), whoField = $("who");
  let token = "", nights = [], here = 0, night, state, pen, from = 0, to = 1, level = "episode", chosen = null, also = false;
  let signal = null, envelope = null, wanted = null, reading = { ready: true };
  let zoomY = 1, draft = null, edge = "b", asking = null, busy = false, overview = null, waiting = false, wholeKey = "", listening = false;

  // what a window remembers over a reload; without it (private mode) only that is lost
  const kept = {
    get(name) { try { return sessionStorage.getItem(name) || ""; } catch { return ""; } },
    set(name, value) { try { sessionStorage.setItem(name, value); } catch { /* private mode */ } },
  };
  // where studies are opened side by side, each answer says by which word its study is known, and every later question too
  const API = document.body.dataset.api;
  let study = "";
  async function ask(path, options) {
    const response = await fetch(path, Object.assign({ cache: "no-store" }, options, {
      headers: Object.assign({ "X-Review-Token": token }, study && { "X-Study": study }, options && options.headers),
    }));
    study = study || response.headers.get("X-Study") || "";
    return response;
  }
  async function json(path) {
    const response = await ask(path);
    const value = await response.json();
    if (!response.ok) throw new Error(value.error);
    return value;
  }
  function warn(text) { $("alert").textContent = text; $("alert").hidden = !text; }
  const who = () => whoField.value.trim();
  const of = (path, more) => API + path + "?night=" + here + (more || "");
  const asked = () => of("/state", "&who=" + encodeURIComponent(who()));
  const clamp = (v, a, b) => Math.min(Math.max(v, a), b);

  function events() {
    if (night.sampled) return state.items.map((i) => ({ id: i.id, a: i.start_s, b: i.stop_s, verdict: i.accepted === undefined ? "" : i.accepted ? "accepted" : "rejected", kind: i.kind || "unclassified", counts: true, item: i }));
    return level === "episode" ? state.episodes : state.bursts;
  }
  // what does not count is passed by, unless it is asked for or was decided on
  const counted = (e) => e.counts || e.verdict !== "";
  const visited = () => events().filter((e) => also || counted(e));
  const current = () => events().find((e) => e.id === chosen);
  const seconds = (v) => v.toFixed(2) + " s";
  const at = (t) => pen.clock(t, true);
  const title = (e) => e.kind + " " + level + (e.number ? " " + e.number : "");
  function words(e) {
    if (night.sampled) return "Item " + (e.id + 1) + " of " + state.of + ", " + at(e.a) + ", " + seconds(e.b - e.a);
    const parts = [title(e), "onset " + at(e.a), seconds(e.b - e.a)];
    if (e.n !== undefined) parts.push(e.n + (e.n === 1 ? " burst" : " bursts"));
    if (e.peak !== null) parts.push("peak " + e.peak + " % MVC");
    if (!e.counts && e.verdict !== "rejected") parts.push("does not count: outside the analysed time");
    parts.push(e.verdict === "rejected" ? "rejected: " + e.reason : e.changed ? "changed by the reader" : e.verdict || "not decided");
    return parts.join(", ");
  }
  function place(e) {
    const list = visited(), k = list.findIndex((x) => x.id === e.id);
    return k < 0 || night.sampled ? "" : k + 1 + " of " + list.length + ": ";
  }

  // views of the trace: the newest wish is asked for when the one before has come
  async function fetchView() {
    const box = { a: from, b: to, w: Math.max(Math.round(trace.clientWidth - LEFT - RIGHT), 50) };
    if (wanted) { wanted = box; return; }
    wanted = box;
    try {
      while (wanted) {
        const now = wanted, begun = performance.now(), mine = here;
        const response = await ask(of("/trace", "&from=" + now.a + "&to=" + now.b + "&width=" + now.w));
        if (!response.ok) throw new Error((await response.json()).error);
        const list = unpacked(await response.arrayBuffer());
        if (mine !== here) { if (wanted === now) wanted = null; continue; }
        signal = list.slice(0, night.channels.length);
        envelope = list.slice(night.channels.length);
        drawTrace();
        trace.dataset.ms = (performance.now() - begun).toFixed(1);
        trace.dataset.basis = signal.map((v) => v.basis).join(" ");
        trace.dataset.shown = now.a.toFixed(3) + " " + now.b.toFixed(3);
        if (wanted === now) wanted = null;
        // the program closes a night that nobody looks at; opened again, its recording is read again
        if (reading.ready && !reading.failed && night.recording && signal.some((v) => v.basis === "none")) { reading = { ready: false }; progress().catch(lost); }
      }
    } catch (error) { wanted = null; lost(error); }
  }
  function unpacked(buffer) {
    const head = new DataView(buffer).getUint32(0, true);
    const list = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, head)));
    let start = 4 + head;
    list.forEach((v) => {
      v.low = new Float32Array(buffer, start, v.n); start += 4 * v.n;
      v.high = new Float32Array(buffer, start, v.n); start += 4 * v.n;
    });
    return list;
  }
  function lost(error) {
    warn(error instanceof TypeError ? "The program that serves this page does not answer. What was acknowledged is on disk; start the review again and reload." : error.message);
  }

  const X = (t) => LEFT + ((t - from) / (to - from)) * (trace.clientWidth - LEFT - RIGHT);
  const laneHeight = (lane) => (lane.points.length ? LANE : 26);
  const many = () => night.channels.length > 2;
  const signalHeight = () => (night.recording ? (many() ? 70 : 98) : 0);
  const envelopeHeight = () => (night.recording ? (many() ? 54 : 66) : many() ? 84 : 112);
  const height = () => signalHeight() + envelopeHeight() + (night.recording ? 4 : 0);
  const laneTops = () => { let y = HEAD; return night.channels.map(() => { const t = y; y += height() + 8; return t; }); };
  function rows() { return night.sampled ? ["item"] : ["episodes", "bursts"]; }
  function traceHeight() { return HEAD + night.channels.length * (height() + 8) + rows().length * ROW + night.lanes.reduce((sum, l) => sum + laneHeight(l), 0) + FOOT + 6; }

  // the least round number that is not below a value
  function nice(v) {
    const ten = Math.pow(10, Math.floor(Math.log10(v)));
    return [1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10].map((m) => m * ten).find((x) => x >= v * 0.999999) || v;
  }
  function highest(v) {
    let most = 0;
    if (v) for (let i = 0; i < v.n; i++) { const a = Math.max(Math.abs(v.low[i]), Math.abs(v.high[i])); if (a > most) most = a; }
    return most;
  }
  // each panel by its own scale, so that all of the view fits; noise alone is not blown up to it
  function scaleOf(k, v, raw) {
    const c = night.channels[k], least = c.threshold ? c.threshold * (raw ? 4 : 2) : c.mvc ? c.mvc * (raw ? 0.4 : 0.2) : 20;
    return nice(Math.max(highest(v), least)) / zoomY;
  }

  function drawTrace() {
    const { g, width, height: tall } = pen.prepared(trace, traceHeight());
    const x1 = width - RIGHT, span = to - from, bottom = tall - FOOT, h = height();
    g.fillStyle = pen.colours.outside; g.fillRect(LEFT, HEAD - 6, x1 - LEFT, bottom - HEAD + 6);
    g.fillStyle = pen.colours.sheet;
    night.window.forEach(([a, b]) => { const p = clamp(X(a), LEFT, x1), q = clamp(X(b), LEFT, x1); if (q > p) g.fillRect(p, HEAD - 6, q - p, bottom - HEAD + 6); });
    pen.timeAxis(g, from, to, LEFT, x1, HEAD - 6, bottom);
    g.save(); g.beginPath(); g.rect(LEFT, 0, x1 - LEFT, tall); g.clip();
    const c = draft || current();
    if (c) {
      g.fillStyle = draft ? pen.colours.limit : pen.colours.accent; g.globalAlpha = 0.14;
      g.fillRect(X(c.a), HEAD - 6, Math.max(X(c.b) - X(c.a), 1), bottom - HEAD + 6); g.globalAlpha = 1;
      g.lineWidth = 1.5; g.strokeStyle = draft ? pen.colours.limit : pen.colours.accent;
      [["a", c.a], ["b", c.b]].forEach(([name, t]) => {
        g.setLineDash(draft && edge === name ? [] : [4, 3]); g.lineWidth = draft && edge === name ? 3 : 1.5;
        g.beginPath(); g.moveTo(X(t), HEAD - 6); g.lineTo(X(t), bottom); g.stroke();
      });
      g.setLineDash([]);
    }
    g.restore();
    laneTops().forEach((top, k) => {
      if (night.recording) drawSignal(g, k, top, x1);
      drawEnvelope(g, k, top + height() - envelopeHeight(), x1);
    });
    drawRows(g, x1, bottom);
    g.strokeStyle = pen.colours.soft; g.lineWidth = 1; g.strokeRect(LEFT - 0.5, HEAD - 6.5, x1 - LEFT + 1, bottom - HEAD + 7);
    trace.dataset.from = from.toFixed(3); trace.dataset.to = to.toFixed(3);
    trace.dataset.chosen = chosen === null ? "" : String(chosen);
    trace.dataset.drawn = String(Number(trace.dataset.drawn || 0) + 1);
    drawWhole();
  }

  const number = (u) => (u >= 10 ? u.toFixed(0) : u >= 1 ? u.toFixed(1) : u.toPrecision(2));

  // one panel: what is left out hatched, the values by their own scale, shown on the left
  function panel(g, k, v, above, over, x1, raw, label) {
    g.fillStyle = pen.colours.ink; g.fillText(label, LEFT + 6, above + 7, x1 - LEFT - 12);
    const top = above + NAME, h = over - NAME;
    const c = night.channels[k], full = scaleOf(k, v, raw), most = highest(v);
    const Y = raw ? (u) => top + h / 2 - clamp(u / full, -1, 1) * (h / 2 - 2) : (u) => top + h - clamp(u / full, 0, 1) * (h - 4);
    g.save(); g.beginPath(); g.rect(LEFT, top, x1 - LEFT, h); g.clip();
    night.excluded.forEach(([channel, , a, b]) => {
      if (channel === k && b > from && a < to) pen.hatched(g, clamp(X(a), LEFT, x1), top, clamp(X(b), LEFT, x1) - clamp(X(a), LEFT, x1), h);
    });
    g.strokeStyle = pen.colours.rule; g.lineWidth = 1; g.beginPath(); g.moveTo(LEFT, Y(0)); g.lineTo(x1, Y(0)); g.stroke();
    if (v && v.n) (v.basis === "samples" || (v.basis === "envelope" && X(v.step_s) - X(0) > 1.5) ? drawLine : drawBars)(g, v, Y);
    if (!raw && c.threshold) {
      g.strokeStyle = pen.colours.limit; g.lineWidth = 1.4; g.setLineDash([6, 4]); g.beginPath();
      g.moveTo(LEFT, Y(c.threshold)); g.lineTo(x1, Y(c.threshold)); g.stroke(); g.setLineDash([]);
    }
    if (most > full * 1.000001) pen.boxed(g, "does not fit: reaches " + number(most) + " " + c.unit + "; c makes it smaller", LEFT + 6, top + h - 9);
    g.restore();
    g.fillStyle = pen.colours.soft; g.textAlign = "right";
    g.fillText((raw ? "±" : "") + number(full) + " " + c.unit, LEFT - 6, top + 7);
    if (!raw) {
      if (c.mvc && !night.sampled && h > 34) g.fillText(number((100 * full) / c.mvc) + " % MVC", LEFT - 6, top + 21);
      g.fillText("0", LEFT - 6, top + h - 6);
    }
    g.textAlign = "left";
    trace.dataset[(raw ? "signal" : "envelope") + k] = number(full) + " " + (most > full * 1.000001 ? "cut" : "whole");
  }
  function drawSignal(g, k, top, x1) {
    const c = night.channels[k], v = signal && signal[k], name = c.label.length > 48 ? c.label.slice(0, 47) + "…" : c.label;
    const said = !v || v.n ? "" : reading.failed ? "; the recording could not be read: " + reading.failed : "; the recording is being read, " + Math.round(100 * (reading.done || 0)) + " %; closer views are there at once";
    panel(g, k, v, top, signalHeight(), x1, true, name + ", signal" + said);
  }
  function drawEnvelope(g, k, top, x1) {
    const c = night.channels[k], name = c.label.length > 48 ? c.label.slice(0, 47) + "…" : c.label;
    const limit = c.threshold ? "; threshold " + number(c.threshold) + " " + c.unit + (c.mvc ? " (" + number((100 * c.threshold) / c.mvc) + " % MVC)" : "") + (night.threshold_follows ? ", median of the night" : "") : "";
    panel(g, k, envelope && envelope[k], top, envelopeHeight(), x1, false, (night.recording ? "envelope" : name + ", envelope") + limit);
  }
  function drawLine(g, v, Y) {
    let down = false;
    g.strokeStyle = pen.colours.ink; g.lineWidth = 1; g.beginPath();
    for (let i = 0; i < v.n; i++) {
      if (Number.isNaN(v.high[i])) { down = false; continue; }
      const x = X(v.first_s + i * v.step_s), y = Y(v.high[i]);
      if (down) g.lineTo(x, y); else g.moveTo(x, y);
      down = true;
    }
    g.stroke();
  }
  function drawBars(g, v, Y) {
    const w = Math.max(X(v.first_s + v.step_s) - X(v.first_s), 1);
    g.fillStyle = pen.colours.ink; g.beginPath();
    for (let i = 0; i < v.n; i++) {
      if (Number.isNaN(v.low[i])) continue;
      // a bar reaches to the one before it, as the line between their samples does
      const a = Y(Math.max(v.high[i], v.low[i - 1] || v.high[i])), b = Y(Math.min(v.low[i], v.high[i - 1] || v.low[i]));
      g.rect(X(v.first_s + i * v.step_s), a, w, Math.max(b - a, 1));
    }
    g.fill();
  }

  function drawRows(g, x1, bottom) {
    let y = HEAD + night.channels.length * (height() + 8) + ROW / 2;
    rows().forEach((name) => {
      g.fillStyle = pen.colours.ink; g.textAlign = "right"; g.fillText(name, LEFT - 6, y); g.textAlign = "left";
      g.save(); g.beginPath(); g.rect(LEFT, y - ROW / 2, x1 - LEFT, ROW); g.clip();
      const list = night.sampled ? events().filter((e) => e.id === chosen || e.verdict) : name === "episodes" ? state.episodes : state.bursts;
      const near = list.filter((e) => e.b > from && e.a < to);
      if (near.length > MANY) drawTicks(g, near, y); else near.forEach((e) => drawEvent(g, e, X(e.a), X(e.b), y));
      g.restore();
      y += ROW;
    });
    night.lanes.forEach((lane) => { drawLane(g, lane, y - ROW / 2, x1); y += laneHeight(lane); });
  }

  // too many for signs: ticks, whose height and place tell the kind, a rejected one left hollow
  function drawTicks(g, list, y) {
    const parts = { phasic: [-7, 7], tonic: [-7, 14], mixed: [0, 7], unclassified: [-3, 6], short: [-3, 6] };
    Object.keys(parts).forEach((kind) => {
      const [up, tall] = parts[kind];
      g.beginPath();
      list.forEach((e) => { if (e.kind === kind && e.verdict !== "rejected") g.rect(X(e.a), y + up, Math.max(X(e.b) - X(e.a), 1), tall); });
      g.fillStyle = pen.colours[kind]; g.fill();
    });
    const c = current();
    if (c) drawEvent(g, c, X(c.a), X(c.b), y);
  }

  function drawEvent(g, e, a, b, y) {
    const kind = night.sampled && !e.verdict ? "unclassified" : e.kind;
    pen.drawKind(g, kind, a, b, y, e.verdict === "rejected" || !e.counts);
    g.strokeStyle = pen.colours.ink; g.lineWidth = 1.6; g.beginPath();
    if (e.verdict === "rejected") { const m = (a + b) / 2; g.moveTo(m - 6, y - 6); g.lineTo(m + 6, y + 6); g.moveTo(m + 6, y - 6); g.lineTo(m - 6, y + 6); }
    else if (e.verdict === "accepted") { const p = Math.min(a, (a + b) / 2 - 6) - 9; g.moveTo(p, y); g.lineTo(p + 3, y + 4); g.lineTo(p + 8, y - 5); }
    g.stroke();
    if (e.id === chosen) { g.lineWidth = 1.4; const m = (a + b) / 2, p = Math.min(a, m - 7), q = Math.max(b, m + 7); g.strokeRect(p - 2, y - 8.5, q - p + 4, 17); }
  }

  function drawLane(g, lane, top, x1) {
    const tall = laneHeight(lane);
    g.fillStyle = pen.colours.ink; g.textAlign = "right";
    g.fillText(lane.name, LEFT - 6, top + 12, LEFT - 10); g.fillStyle = pen.colours.soft;
    if (lane.unit) g.fillText(lane.unit, LEFT - 6, top + 26, LEFT - 10);
    g.textAlign = "left";
    g.save(); g.beginPath(); g.rect(LEFT, top, x1 - LEFT, tall - 4); g.clip();
    g.strokeStyle = pen.colours.rule; g.lineWidth = 1; g.strokeRect(LEFT, top + 0.5, x1 - LEFT, tall - 5);
    let end = -Infinity;
    lane.spans.forEach(([a, b, text]) => {
      if (b < from || a > to) return;
      const p = X(a), q = Math.max(X(b), p + 2);
      g.fillStyle = pen.colours.accent; g.globalAlpha = 0.3; g.fillRect(p, top + 4, q - p, tall - 12); g.globalAlpha = 1;
      g.fillStyle = pen.colours.accent; g.fillRect(p, top + 4, 1.2, tall - 12);
      const x = Math.max(p, LEFT) + 5, cut = text.length > 40 ? text.slice(0, 39) + "…" : text;
      if (x > end) { g.fillStyle = pen.colours.ink; g.fillText(cut, x, top + 13); end = x + g.measureText(cut).width + 8; }
    });
    const near = lane.points.filter((p) => p[0] >= from - 30 && p[0] <= to + 30 && p[1] !== null);
    if (near.length) {
      const low = Math.min(...near.map((p) => p[1])), high = Math.max(...near.map((p) => p[1])), reach = high - low || 1;
      const Y = (v) => top + tall - 9 - ((v - low) / reach) * (tall - 16);
      g.strokeStyle = pen.colours.ink; g.lineWidth = 1.2; g.beginPath();
      let down = false;
      lane.points.forEach(([t, v]) => {
        if (v === null) { down = false; return; }
        if (t < from - 60 || t > to + 60) return;
        if (down) g.lineTo(X(t), Y(v)); else g.moveTo(X(t), Y(v));
        down = true;
      });
      g.stroke();
      pen.boxed(g, low.toPrecision(3) + " to " + high.toPrecision(3), LEFT + 6, top + tall - 13);
    }
    g.restore();
  }

  // the whole night is painted once for each state; a box over it shows where the trace is
  function drawWhole() {
    const key = [here, state.seq, whole.clientWidth, level, night.sampled ? chosen : "", Boolean(overview), state.decided].join();
    if (key !== wholeKey) { paintWhole(); wholeKey = key; }
    const W = whole.clientWidth - LEFT - RIGHT, box = $("window-box").style;
    box.left = (LEFT + (from / night.duration_s) * W).toFixed(1) + "px";
    box.width = Math.max(((to - from) / night.duration_s) * W, 4).toFixed(1) + "px";
  }

  function paintWhole() {
    const { g, width, height: tall } = pen.prepared(whole, WHOLE);
    const x1 = width - RIGHT, bottom = tall - 22, W = x1 - LEFT, end = night.duration_s;
    const P = (t) => LEFT + (t / end) * W;
    g.fillStyle = pen.colours.outside; g.fillRect(LEFT, 6, W, bottom - 6);
    g.fillStyle = pen.colours.sheet; night.window.forEach(([a, b]) => g.fillRect(P(a), 6, P(b) - P(a), bottom - 6));
    pen.timeAxis(g, 0, end, LEFT, x1, 6, bottom);
    if (overview) {
      g.fillStyle = pen.colours.soft; g.beginPath();
      const v = overview[0], full = scaleOf(0, v, false) * zoomY;
      for (let i = 0; i < v.n; i++) {
        if (Number.isNaN(v.high[i])) continue;
        const y = bottom - 20 - clamp(v.high[i] / full, 0, 1) * (bottom - 28);
        g.rect(P(v.first_s + i * v.step_s), y, 1.2, bottom - 20 - y);
      }
      g.fill();
    }
    events().forEach((e) => {
      if (night.sampled && !e.verdict && e.id !== chosen) return;
      if (level === "episode" || night.sampled) drawEvent(g, Object.assign({}, e, { id: undefined }), P(e.a), P(e.b), bottom - 9);
      else { g.fillStyle = pen.colours.ink; g.fillRect(P(e.a), bottom - 14, Math.max(P(e.b) - P(e.a), 1), 10); }
    });
  }

  function later() { if (!waiting) { waiting = true; requestAnimationFrame(() => { waiting = false; drawTrace(); }); } }
  function show(a, b) {
    const span = clamp(b - a, 0.05, night.duration_s);
    from = clamp(a, 0, night.duration_s - span); to = from + span;
    later(); fetchView();
  }
  function zoom(factor, t) {
    const mid = t === undefined ? (from + to) / 2 : t, span = clamp((to - from) * factor, 0.05, night.duration_s), share = (mid - from) / (to - from);
    show(mid - share * span, mid - share * span + span);
  }
  function goTo(e) {
    const span = night.sampled ? Math.max(20, (e.b - e.a) * 2) : clamp(Math.min(to - from, 60), (e.b - e.a) * 1.6 + 2, night.duration_s);
    show((e.a + e.b - span) / 2, (e.a + e.b + span) / 2);
  }
  function select(id, stay) {
    chosen = id;
    draft = null; $("edit").hidden = true;
    const e = current();
    if (e && !stay) goTo(e); else later();
    tell(); remember();
  }
  // night, level and event stand behind the # of the address, so that a reload finds them again
  function remember() {
    const parts = ["night=" + here, "level=" + level, "also=" + Number(also)];
    if (chosen !== null) parts.push("event=" + chosen);
    history.replaceState(null, "", "#" + parts.join("&"));
  }
  function remembered() { return Object.fromEntries(new URLSearchParams(location.hash.slice(1))); }
  function step(by) {
    const list = visited();
    if (!list.length) { hint("There is no " + level + " to visit" + (also ? "." : "; o shows those that do not count.")); return; }
    const k = list.findIndex((e) => e.id === chosen), e = current();
    const from_s = e ? e.a : from, after = list.findIndex((x) => x.a > from_s || (!e && x.a >= from_s));
    const next = k >= 0 ? k + by : by > 0 ? (after < 0 ? list.length : after) : (after < 0 ? list.length : after) - 1;
    if (next < 0 || next >= list.length) { hint(by > 0 ? "This is the last of " + list.length + "." : "This is the first of " + list.length + "."); if (k < 0) select(list[clamp(next, 0, list.length - 1)].id); return; }
    select(list[next].id);
  }
  function undecided() {
    const list = visited(), e = current();
    const open = list.filter((x) => !x.verdict && x.counts), next = open.find((x) => e && x.a > e.a) || open.find((x) => !e || x.id !== e.id);
    if (next) select(next.id); else hint(open.length ? "This is the only one that is not decided." : "Every " + (night.sampled ? "item" : level + " that counts") + " is decided." + (nights.length > 1 ? " d: done, next night." : ""));
    return Boolean(next);
  }
  function hint(text) { const e = current(); $("told").textContent = text + (e ? " Selected: " + place(e) + words(e) + "." : ""); }

  function tell() {
    const e = current(), blocked = !e;
    $("told").textContent = e ? "Selected: " + place(e) + words(e) + "." : "Nothing selected; n goes to the next " + (night.sampled ? "item." : level + " in view or after it.");
    if (night.sampled) {
      $("item").textContent = e ? "Item " + (e.id + 1) + " of " + state.of : "No item";
      $("revealed").textContent = e && e.item.said ? "You said: " + (e.item.accepted ? "episode" + (e.item.given ? ", " + e.item.given : "") : "no episode") + ". It is: " + e.item.said + "." : "Its label is shown once you have decided.";
    } else {
      $("chosen").textContent = e ? title(e) : "No event selected";
      $("facts").textContent = e ? words(e) : "n and p go from event to event.";
      ["accept", "accepted", "reject", "relabel", "left", "right"].forEach((name) => { document.querySelector('[data-do="' + name + '"]').disabled = blocked; });
    }
    const undo = state.undo ? "take back: " + said(state.undo) + " " : "nothing to take back ";
    document.querySelectorAll('[data-do="undo"]').forEach((b) => { b.disabled = !state.undo; b.firstChild.textContent = b.id === "undo" ? undo : "take it back "; });
    document.querySelectorAll("#list button").forEach((b) => {
      const here = b.dataset.id === String(chosen);
      b.setAttribute("aria-current", here ? "true" : "false");
      if (here) { const box = $("list"); if (b.offsetTop < box.scrollTop + box.offsetTop || b.offsetTop > box.scrollTop + box.offsetTop + box.clientHeight - 40) box.scrollTop = b.offsetTop - box.offsetTop - box.clientHeight / 2; }
    });
  }

  const short = (u) => (u.at_s === null || u.at_s === undefined ? "" : ", " + at(u.at_s));
  function said(u) {
    if (night.sampled) return u.words + " by " + u.who;
    const id = u.target || "a" + u.seq, e = state.episodes.find((x) => x.id === id), burst = state.bursts.find((x) => x.id === id);
    const name = e ? e.kind + " episode" + (e.number ? " " + e.number : "") : burst ? burst.kind + " burst" : u.kind || "event";
    return u.words + " " + name + short(u) + " by " + u.who;
  }
  function did(text) {
    $("did").textContent = text;
    document.querySelector("#done-line .undo").hidden = !state.undo;
  }
  const NAMES = { episodes_per_hour: "episodes per valid hour", phasic_episodes_per_hour: "phasic", tonic_episodes_per_hour: "tonic", mixed_episodes_per_hour: "mixed", bursts_per_hour: "bursts per valid hour", time_in_episodes_pct: "time in episodes, %", valid_hours: "valid hours" };
  function fill(parent, items) { parent.replaceChildren(...items); }
  function element(tag, text, more) { const e = document.createElement(tag); e.textContent = text; return Object.assign(e, more || {}); }

  function refresh() {
    const measures = $("measures");
    measures.hidden = night.sampled; measures.previousElementSibling.hidden = night.sampled;
    if (night.sampled) {
      $("sentence").textContent = state.decided + " of " + state.of + " items decided (sample drawn with seed " + state.seed + "). A sampled review changes no number of the night.";
      const text = state.shares.map((s) => element("p", s.name + ": " + (s.share === null ? "none judged" : s.accepted + " of " + s.judged + " (" + (100 * s.share).toFixed(0) + " %" + (s.low === null ? "" : "; " + (100 * s.low).toFixed(0) + " to " + (100 * s.high).toFixed(0) + " %, " + s.meaning) + ")") + ". " + s.of + " such in the night, " + s.drawn + " in the sample."));
      if (text.length) text.push(element("p", state.caution, { className: "soft" }));
      fill($("result"), text);
    } else {
      $("sentence").textContent = state.sentence;
      const cell = (m) => (m.value === null ? "none" : m.value.toFixed(2));
      fill(measures.tBodies[0], Object.keys(NAMES).filter((n) => n in state.measures).map((n) => {
        const row = document.createElement("tr"), a = cell(state.automatic[n]), b = cell(state.measures[n]);
        row.append(element("th", NAMES[n], { scope: "row" }), element("td", a), element("td", b));
        row.dataset.measure = n;
        if (a !== b) row.className = "other";
        return row;
      }));
    }
    const list = visited(), hidden = events().filter((e) => !counted(e)).length;
    $("list-name").textContent = night.sampled ? "Items, " + state.decided + " of " + state.of + " decided" : level === "episode" ? "Episodes, " + state.decided + " of " + state.of + " automatic ones decided" : "Bursts";
    $("level").firstChild.textContent = level === "episode" ? "bursts " : "episodes ";
    $("also").firstChild.textContent = (also ? "counted only" : hidden ? "+" + hidden + " uncounted" : "all count") + " ";
    $("also").setAttribute("aria-pressed", String(also)); $("also").disabled = !hidden; $("also").hidden = night.sampled;
    fill($("list"), list.map((e) => {
      const item = document.createElement("li"), button = element("button", "", { type: "button" });
      button.dataset.id = String(e.id);
      const name = element("span", night.sampled ? "item " + (e.id + 1) : (e.number ? e.number + " " : "") + e.kind + (counted(e) ? "" : ", does not count"), { className: e.verdict === "rejected" && !night.sampled ? "gone" : "" });
      button.append(element("span", at(e.a)), name, element("span", e.verdict === "rejected" ? (night.sampled ? "no" : "rejected") : e.own ? "added" : e.changed ? "changed" : e.verdict ? (night.sampled ? "yes" : "accepted") : "", { className: "state" }));
      button.addEventListener("click", () => select(e.id));
      item.append(button);
      return item;
    }));
    if (chosen !== null && !current()) chosen = null;
    document.body.dataset.seq = String(state.seq);
    tell(); later();
  }

  const DONE = { accept: "Accepted", reject: "Rejected", relabel: "Relabelled", move: "Edge moved", add: "Added", judge: "Judged" };
  // initials come before the reason, so that nothing has to be entered twice
  function unnamed() {
    if (who()) return false;
    whoField.classList.add("wanted"); whoField.focus(); warn("Who is reading? Write your initials first; nothing was decided.");
    return true;
  }
  const named = (f) => (...given) => { if (!unnamed()) f(...given); };
  async function decide(parts, more, advance) {
    if (busy) return;
    if (unnamed()) return;
    const target = current(), undone = state.undo;
    busy = true;
    try {
      const response = await ask(of("/decide"), { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(Object.assign({ seen: state.seq, who: who(), draft: parts }, more)) });
      const value = await response.json();
      if (response.status === 409) { state = value.state; refresh(); warn("Another window decided something in the meantime. The page now shows it; your last key was not recorded."); return; }
      if (!response.ok) { warn(value.error); return; }
      state = value; warn("");
      if (parts.action === "add") chosen = "a" + state.seq;
      refresh(); remember();
      if (parts.action === "undo") $("did").textContent = "Taken back: " + said(undone) + ".";
      else if (night.sampled) did("Judged: item " + (target.id + 1) + ".");
      else { const e = current() || target; did(DONE[parts.action] + ": " + title(e) + ", " + at(e.a) + (parts.reason ? " (" + parts.reason + ")" : "") + "."); }
      document.querySelector("#done-line .undo").hidden = !state.undo;
      showNights().catch(lost);
      if (advance) undecided();
    } catch (error) { lost(error); } finally { busy = false; }
  }

  function choose(title, choices, other, then) {
    const box = $("ask");
    $("ask-title").textContent = title;
    asking = (value) => { asking = null; box.close(); if (value) then(value); trace.focus(); };
    fill($("ask-choices"), choices.map((c, i) => {
      const button = element("button", c.replace(/^./, (x) => x) + " ", { type: "button" });
      button.append(element("kbd", String(i + 1)));
      button.addEventListener("click", () => asking(c));
      return button;
    }));
    $("ask-other").hidden = $("ask-ok").hidden = !other;
    $("ask-text").value = "";
    box.showModal();
    const first = $("ask-choices").querySelector("button");
    if (first) first.focus();
  }

  function startEdit(e, name) {
    draft = { target: e.id, a: e.a, b: e.b, level: level }; edge = name;
    showEdit();
  }
  function showEdit() {
    $("edit").hidden = false;
    $("edit-told").textContent = (draft.target === undefined ? "New event: " : "") + "onset " + at(draft.a) + " (" + draft.a.toFixed(2) + " s), offset " + at(draft.b) + " (" + draft.b.toFixed(2) + " s), " + seconds(draft.b - draft.a) + "; the " + (edge === "a" ? "onset" : "offset") + " moves.";
    later();
  }
  function nudge(by) {
    const slot = night.slot_s;
    const v = edge === "a" ? clamp(draft.a + by, 0, draft.b - slot) : clamp(draft.b + by, draft.a + slot, night.duration_s);
    draft[edge] = Math.round(v * 1000) / 1000;
    showEdit();
  }
  function keep() {
    const d = draft;
    if (d.target !== undefined) {
      draft = null; $("edit").hidden = true;
      decide({ action: "move", target: d.target, start_s: d.a, stop_s: d.b });
      return;
    }
    const choices = night.episode_kinds.map((k) => k + " episode").concat(night.burst_kinds.map((k) => k + " burst"));
    choose("What is it?", choices, false, (value) => {
      const [kind, what] = value.split(" ");
      draft = null; $("edit").hidden = true;
      if (what !== level) { level = what; }
      decide({ action: "add", level: what, kind: kind, start_s: d.a, stop_s: d.b });
    });
  }

  const selected = (f) => () => { const e = current(); if (e) f(e); else warn("Select an event first: n, p, or a click on it."); };
  function accept(e, advance) {
    if (e.verdict !== "accepted") { decide({ action: "accept", target: e.id }, {}, advance); return; }
    hint("Accepted already.");
    if (advance) undecided();
  }
  const judge = (accepted, kind) => selected((e) => decide({ action: "judge", accepted: accepted, kind: kind || "" }, { place: e.id }));
  const actions = {
    previous: () => step(-1), next: () => step(1), undecided: undecided,
    in: () => zoom(0.5), out: () => zoom(2), all: () => show(0, night.duration_s),
    earlier: () => show(from - (to - from) / 4, to - (to - from) / 4), later: () => show(from + (to - from) / 4, to + (to - from) / 4),
    level: () => {
      if (night.sampled) return;
      const e = current(), bursts = level === "episode", to_e = e && (bursts ? state.bursts.find((b) => b.in === e.id) : state.episodes.find((x) => x.id === e.in));
      level = bursts ? "burst" : "episode"; chosen = to_e ? to_e.id : null; draft = null;
      refresh(); remember();
    },
    also: () => { if (night.sampled || $("also").disabled) return; also = !also; refresh(); remember(); },
    onward: () => { if (!busy) onward().catch(lost); },
    taller: () => { zoomY = Math.min(zoomY * 1.5, 200); later(); }, flatter: () => { zoomY = Math.max(zoomY / 1.5, 0.05); later(); },
    accept: selected((e) => accept(e, false)), accepted: selected((e) => accept(e, true)),
    reject: selected(named((e) => choose("Why is it rejected?", night.reasons, true, (reason) => decide({ action: "reject", target: e.id, reason: reason })))),
    relabel: selected(named((e) => choose("Which kind is it?", level === "episode" ? night.episode_kinds : night.burst_kinds, false, (kind) => decide({ action: "relabel", target: e.id, kind: kind })))),
    left: selected(named((e) => startEdit(e, "a"))), right: selected(named((e) => startEdit(e, "b"))),
    add: named(() => { const mid = (from + to) / 2, half = Math.min((to - from) / 10, 2); draft = { a: Math.round((mid - half) * 100) / 100, b: Math.round((mid + half) * 100) / 100 }; edge = "b"; showEdit(); }),
    undo: () => { if (!state.undo) hint("There is nothing to take back."); else decide({ action: "undo", undoes: state.undo.seq }); },
    done: () => draft && keep(), cancel: () => { draft = null; $("edit").hidden = true; later(); },
    yes: judge(true), no: judge(false),
    help: () => $("help").showModal(),
  };
  const keys = { n: "next", p: "previous", x: "undecided", o: "also", s: "accepted", d: "onward", "+": "in", "=": "in", "-": "out", "0": "all", b: "level", a: "accept", r: "reject", l: "relabel", "[": "left", "]": "right", e: "add", u: "undo", "?": "help", v: "taller", c: "flatter" };
  const sampleKeys = Object.assign({}, keys, { a: "yes", r: "no", l: "", "[": "", "]": "", e: "", b: "", o: "", s: "" });

  function onKey(event) {
    if (event.ctrlKey || event.metaKey) return;
    if ($("ask").open) {
      if (document.activeElement === $("ask-text")) return;
      const button = /^[1-9]$/.test(event.key) && $("ask-choices").querySelectorAll("button")[Number(event.key) - 1];
      if (button) { event.preventDefault(); button.click(); }
      return;
    }
    if (!night || $("help").open) return;
    const at_work = document.activeElement;
    if (/^(INPUT|TEXTAREA|SELECT)$/.test(at_work.tagName) && at_work.type !== "checkbox") return;
    if (draft) {
      const size = event.altKey ? 1 : event.shiftKey ? 0.1 : 0.01;
      const does = { ArrowLeft: () => nudge(-size), ArrowRight: () => nudge(size), Enter: keep, Escape: actions.cancel, "[": () => { edge = "a"; showEdit(); }, "]": () => { edge = "b"; showEdit(); } }[event.key];
      if (does && !(event.key === "Enter" && document.activeElement.tagName === "BUTTON")) { event.preventDefault(); does(); return; }
    }
    if (event.altKey) return;
    const arrows = { ArrowLeft: "earlier", ArrowRight: "later" };
    if (document.activeElement === trace) Object.assign(arrows, { ArrowUp: "in", ArrowDown: "out" });
    const kind = night.sampled && /^[1-9]$/.test(event.key) && night.episode_kinds[Number(event.key) - 1];
    const letters = $("letters").checked ? (night.sampled ? sampleKeys : keys) : {};
    const name = letters[event.key] || arrows[event.key];
    if (kind) { event.preventDefault(); judge(true, kind)(); } else if (name) { event.preventDefault(); actions[name](); }
  }

  const timeAt = (event) => { const box = trace.getBoundingClientRect(); return from + ((event.clientX - box.left - LEFT) / (box.width - LEFT - RIGHT)) * (to - from); };
  function edgeAt(event) {
    const c = draft || (night.sampled ? null : current());
    if (!c) return "";
    const x = event.clientX - trace.getBoundingClientRect().left, da = Math.abs(x - X(c.a)), db = Math.abs(x - X(c.b));
    return Math.min(da, db) > 6 ? "" : da < db ? "a" : "b";
  }
  function listen() {
    document.querySelectorAll("[data-do]").forEach((b) => b.addEventListener("click", () => actions[b.dataset.do]()));
    document.addEventListener("keydown", onKey);
    $("ask-cancel").addEventListener("click", () => asking && asking(""));
    $("ask").addEventListener("cancel", () => { asking = null; });
    $("ask").querySelector("form").addEventListener("submit", (event) => {
      event.preventDefault();
      const text = $("ask-text").value.trim();
      if (text && asking) asking(text);
    });
    whoField.addEventListener("input", () => { whoField.classList.remove("wanted"); warn(""); kept.set("reader", who()); });
    whoField.addEventListener("change", async () => { if (night.sampled) { state = await json(asked()); refresh(); } });
    whoField.addEventListener("keydown", (event) => { if (event.key === "Enter") trace.focus(); });
    trace.addEventListener("wheel", (event) => { event.preventDefault(); zoom(Math.exp(clamp(event.deltaY, -240, 240) / 400), timeAt(event)); }, { passive: false });
    let held = null;
    trace.addEventListener("pointerdown", (event) => {
      const name = edgeAt(event), t = timeAt(event);
      held = { x: event.clientX, from, to, t, moved: false, edge: name, fresh: event.shiftKey && !night.sampled };
      if (name && !draft) { const e = current(); draft = { target: e.id, a: e.a, b: e.b }; }
      if (name) edge = name;
      trace.setPointerCapture(event.pointerId);
    });
    trace.addEventListener("pointermove", (event) => {
      if (!held) { trace.classList.toggle("edge", Boolean(edgeAt(event))); point(event); return; }
      if (Math.abs(event.clientX - held.x) > 3) held.moved = true;
      if (!held.moved) return;
      const t = clamp(timeAt(event), 0, night.duration_s);
      if (held.edge) { nudge(t - draft[edge]); return; }
      if (held.fresh) {
        const a = Math.min(held.t, t), b = Math.max(held.t, t);
        draft = { a: Math.round(a * 100) / 100, b: Math.round(Math.max(b, a + 0.02) * 100) / 100 }; edge = "b"; showEdit(); return;
      }
      trace.classList.add("held");
      const d = (-(event.clientX - held.x) / (trace.clientWidth - LEFT - RIGHT)) * (held.to - held.from);
      show(held.from + d, held.to + d);
    });
    trace.addEventListener("pointerup", () => {
      trace.classList.remove("held");
      if (held && held.edge && held.moved && draft && draft.target !== undefined) keep();
      else if (held && held.edge && !held.moved && draft && $("edit").hidden) draft = null;
      else if (held && !held.moved && !held.edge) {
        const reach = ((to - from) * 8) / trace.clientWidth;
        let best = null, least = Infinity;
        events().forEach((e) => { const d = held.t < e.a ? e.a - held.t : held.t > e.b ? held.t - e.b : 0; if (d < least && d <= reach && (!night.sampled || e.verdict || e.id === chosen)) { least = d; best = e; } });
        if (best) select(best.id, true);
      }
      held = null;
    });
    trace.addEventListener("pointercancel", () => { held = null; });
    whole.addEventListener("click", (event) => {
      const box = whole.getBoundingClientRect(), t = ((event.clientX - box.left - LEFT) / (box.width - LEFT - RIGHT)) * night.duration_s, half = Math.min(to - from, 120) / 2;
      show(t - half, t + half);
    });
    let width = 0;
    new ResizeObserver(() => { if (trace.clientWidth !== width) { width = trace.clientWidth; later(); fetchView(); } }).observe(trace);
    document.addEventListener("visibilitychange", () => { if (!document.hidden) reload(); });
    window.addEventListener("focus", reload);
  }
  async function reload() {
    if (!night) return;
    try {
      const latest = await json(of("/progress"));
      if (latest.seq !== state.seq) { state = await json(asked()); refresh(); }
    } catch (error) { lost(error); }
  }
  const minus = (text) => text.replace("-", "−");
  function point(event) {
    const t = timeAt(event);
    if (t < 0 || t > night.duration_s || !envelope) return;
    const value = (v) => {
      const i = v ? Math.floor((t - v.first_s) / v.step_s) : -1;
      if (!v || !(i >= 0 && i < v.n) || Number.isNaN(v.low[i])) return "";
      return v.low[i] === v.high[i] || v.basis === "samples" ? minus(pen.digits(v.low[i])) : minus(v.low[i].toFixed(1)) + " to " + minus(v.high[i].toFixed(1));
    };
    const parts = night.channels.map((c, k) => {
      const raw = value(signal[k]), level_uv = value(envelope[k]);
      return c.label + " " + ([raw && "signal " + raw + " " + c.unit, level_uv && "envelope " + level_uv + " " + c.unit].filter(Boolean).join(", ") || "not known");
    });
    const why = night.excluded.filter((e) => t >= e[2] && t < e[3]).map((e) => night.channels[e[0]].label + ": " + e[1]);
    $("pointed").textContent = [pen.clock(t, true), ...parts, ...why].join("; ");
  }

  async function progress() {
    const mine = here, p = await json(of("/progress"));
    if (mine !== here) return;
    reading = p;
    $("basis").textContent = (night.recording ? "Signal: band-passed, lowest and highest value of each pixel, by its own scale. " : "No recording was found, so there is no raw signal. ") + "Envelope: " + night.amplitude + " over " + night.window_s + " s; the threshold applies to it.";
    trace.dataset.ready = String(p.ready);
    if (!p.ready && !p.failed) { setTimeout(() => progress().catch(lost), 500); later(); return; }
    fetchView();
  }

  // the signs that this night can have, drawn by what draws them in the trace
  function legend() {
    const signs = night.episode_kinds.map((k) => [k, (g) => pen.drawKind(g, k, 3, 37, 10)]);
    const tick = (g) => { g.moveTo(15, 10); g.lineTo(18, 14); g.lineTo(24, 5); }, cross = (g) => { g.moveTo(14, 4); g.lineTo(26, 16); g.moveTo(26, 4); g.lineTo(14, 16); };
    const stroke = (draw) => (g) => { g.strokeStyle = pen.colours.ink; g.lineWidth = 1.6; g.beginPath(); draw(g); g.stroke(); };
    if (!night.sampled) signs.push(["narrow in this view", (g) => night.episode_kinds.forEach((k, i) => pen.drawKind(g, k, 8 + 12 * i, 9 + 12 * i, 10))]);
    if (!night.sampled && state.bursts.some((b) => b.kind === "short")) signs.push(["short burst", (g) => { pen.drawKind(g, "short", 3, 24, 10); pen.drawKind(g, "short", 30, 36, 10); }]);
    if (!night.sampled) signs.push(["does not count", (g) => pen.drawKind(g, night.episode_kinds[0], 3, 37, 10, true)]);
    signs.push([night.sampled ? "yes" : "accepted", stroke(tick)], [night.sampled ? "no" : "rejected", stroke(cross)]);
    if (night.channels.some((c) => c.threshold)) signs.push(["threshold", (g) => { g.strokeStyle = pen.colours.limit; g.lineWidth = 1.4; g.setLineDash([6, 4]); g.beginPath(); g.moveTo(2, 10); g.lineTo(38, 10); g.stroke(); }]);
    if (night.excluded.length) signs.push(["left out of the scoring", (g) => pen.hatched(g, 3, 3, 34, 14)]);
    signs.push(["outside the analysed time", (g) => { g.fillStyle = pen.colours.outside; g.fillRect(3, 3, 34, 14); }]);
    fill($("legend"), signs.map(([text, draw]) => {
      const item = document.createElement("li"), canvas = element("canvas", "", { width: 40, height: 20 });
      canvas.setAttribute("aria-hidden", "true");
      const ratio = window.devicePixelRatio || 1;
      canvas.width = 40 * ratio; canvas.height = 20 * ratio;
      const g = canvas.getContext("2d");
      g.setTransform(ratio, 0, 0, ratio, 0, 0);
      draw(g);
      item.append(canvas, text);
      return item;
    }));
  }

  async function showNights() {
    if (nights.length < 2) return;
    nights = await json(API + "/nights");
    fill($("nights"), nights.map((n, k) => element("option", n.name + (n.fault ? ": cannot be reviewed" : n.of ? ", " + n.decided + " of " + n.of + " decided" : ""), { value: String(k), disabled: Boolean(n.fault), selected: k === here })));
  }
  async function onward() {
    if (nights.length < 2) { hint("This review has one night."); return; }
    const left = state.of - state.decided, before = nights[here].name;
    const said_left = before + ": " + (left ? left + " of " + state.of + " not decided." : "all " + state.of + " decided.");
    const order = [...nights.keys()], next = order.slice(here + 1).find((k) => !nights[k].fault);
    if (next === undefined) { $("did").textContent = said_left + " It was the last night of the list. " + ($("home") ? "Go back to the nights; the reviewed reports are written there." : "End with Ctrl-C in the terminal; it writes the reviewed reports."); return; }
    await openNight(next, {});
    $("did").textContent = said_left + " Now: " + nights[here].name + ".";
  }

  async function openNight(k, wish) {
    if (busy) return;
    busy = true;
    try {
      document.body.dataset.ready = "";
      if (nights.length > 1) $("did").textContent = "Opening " + nights[k].name + " and looking for its recording ...";
      const before = here;
      here = k;
      try {
        night = await json(of("/night"));
        if (!who() && night.reader) whoField.value = night.reader;
        state = await json(asked());
      } catch (error) { here = before; throw error; }
    } finally { busy = false; }
    level = wish.level === "burst" && !night.sampled ? "burst" : "episode"; also = wish.also === "1";
    chosen = null; draft = null; signal = envelope = overview = null; wholeKey = ""; zoomY = 1; reading = { ready: false };
    if (pen) pen.at(night.clock_s); else pen = drawing(night.clock_s, RIGHT);
    document.title = "Review of " + night.name;
    $("name").textContent = Object.values(night.about).join(", ") || night.name;
    $("about").textContent = night.criterion + ". Rates are per hour " + night.basis + ".";
    $("open-panel").hidden = night.sampled; $("sample-panel").hidden = !night.sampled; $("level").hidden = night.sampled;
    fill($("yes-kinds"), night.sampled ? night.episode_kinds.map((kind, i) => { const b = element("button", kind + " ", { type: "button" }); b.append(element("kbd", String(i + 1))); b.addEventListener("click", () => judge(true, kind)()); return b; }) : []);
    $("edit").hidden = true; $("main").hidden = false; document.body.classList.add("in");
    $("did").textContent = state.undo ? "Last decision: " + said(state.undo) + "." : "No decision yet.";
    document.querySelector("#done-line .undo").hidden = !state.undo;
    warn(state.notes.join(" "));
    if (!listening) { listening = true; listen(); pen.repaint(() => { legend(); wholeKey = ""; drawTrace(); }); }
    legend(); refresh(); await showNights();
    const wanted_event = events().find((e) => String(e.id) === wish.event), first = events().find((e) => !e.verdict);
    if (wanted_event && (!night.sampled || wanted_event.verdict || wanted_event === first)) select(wanted_event.id);
    else if (night.sampled && events().length) select((first || events()[0]).id);
    else { show(0, night.duration_s); remember(); }
    loadOverview().catch(lost);
    await progress();
    document.body.dataset.ready = "1";
  }
  async function loadOverview() {
    const mine = here, w = Math.max(Math.round(whole.clientWidth - LEFT - RIGHT), 50);
    const response = await ask(of("/trace", "&overview=1&from=0&to=" + night.duration_s + "&width=" + w));
    const list = unpacked(await response.arrayBuffer());
    if (mine === here) { overview = list; later(); }
  }

  // a pass behind the # opens once and is changed for the token, which only the windows of this page keep
  async function enter(code) {
    const response = await ask("/api/enter", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ code: code }) });
    const value = await response.json();
    if (!response.ok) throw new Error(value.error);
    token = value.token;
    kept.set("token", token);
  }
  function atTheDoor(text) { $("door").hidden = false; warn(text); $("code").focus(); }
  async function begin() {
    const wish = remembered();
    if (wish.pass) history.replaceState(null, "", location.pathname);
    token = kept.get("token");
    whoField.value = kept.get("reader");
    $("letters").checked = kept.get("letters") !== "off";
    if (wish.pass) try { await enter(wish.pass); } catch (error) { if (error instanceof TypeError || !token) { if (error instanceof TypeError) lost(error); else atTheDoor(error.message); return; } }
    if (!token) kept.set("token", token = await siblings.ask());
    if (!token) { atTheDoor(""); return; }
    const response = await ask(API + "/nights");
    if (response.status === 403) { token = ""; kept.set("token", ""); atTheDoor("This window is not let in, or the review was started anew. Type the code that stands in the terminal."); return; }
    nights = await response.json();
    $("night-row").hidden = nights.length < 2;
    $("door").hidden = true; warn("");
    const usable = nights.findIndex((n) => !n.fault), k = Number(wish.night);
    if (usable < 0) { warn("None of these nights can be reviewed: " + nights[0].fault); return; }
    await openNight(nights[k] && !nights[k].fault ? k : usable, wish);
  }
  $("door").addEventListener("submit", (event) => {
    event.preventDefault();
    enter($("code").value).then(begin).catch((error) => { if (error instanceof TypeError) lost(error); else atTheDoor(error.message); $("code").select(); });
  });
  $("nights").addEventListener("change", () => openNight(Number($("nights").value), {}).catch((error) => { lost(error); showNights(); }));
  $("letters").addEventListener("change", () => kept.set("letters", $("letters").checked ? "on" : "off"));
  siblings.listen(() => token);
  begin().catch(lost);
})();
