(function () {
  const data = JSON.parse(document.getElementById("night-data").textContent);
  const $ = (id) => document.getElementById(id);
  const canvas = $("strip"), closeCanvas = $("close-up"), told = $("told"), pointed = $("pointed"), letters = $("letters");
  const LEAST = 4, HEAD = 20, GAP = 14, KIND = 16, FOOT = 22, RIGHT = 10, STAGE = 12;
  const { colours, repaint, clock, digits, prepared, hatched, boxed, drawKind, timeAxis } = drawing(data.clock_s, RIGHT);
  const duration = Math.max(data.duration_s, 1), lanes = data.lanes;
  const counted = data.episodes.map((e, i) => i).filter((i) => data.episodes[i][3]);
  let from = 0, to = duration, selected = -1, envelopes = [], closeUps = null, traceCodes = null, waiting = false;

  async function unpack(text) {
    const packed = atob(text), bytes = new Uint8Array(packed.length);
    for (let i = 0; i < packed.length; i++) bytes[i] = packed.charCodeAt(i);
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  const narrow = () => canvas.clientWidth < 560;
  // a night with more to show gets lower lanes, so that the close-up stays on the first screen
  const dense = data.channels.length > 2 || data.stages || data.heart || data.wake_probability;
  const laneHeight = () => (dense ? 42 : 62);
  const leftGutter = () => (narrow() ? 60 : 96);
  const stagesHeight = () => (data.stages ? 6 + STAGE * data.stages.rows.length : 0);
  const heartHeight = () => (data.heart ? 46 : 0);
  const wakeHeight = () => (data.wake_probability ? 48 : 0);
  const kindsHeight = () => (lanes.length + 1) * KIND;
  const stripHeight = () => HEAD + data.channels.length * (laneHeight() + GAP) + 4 + kindsHeight() + stagesHeight() + heartHeight() + wakeHeight() + FOOT;
  const number = (v) => String(Number(v.toPrecision(3)));

  function drawStages(g, x0, x1, top) {
    const s = data.stages, X = (t) => x0 + ((t - from) / (to - from)) * (x1 - x0), Y = (row) => top + 10 + STAGE * row;
    g.textAlign = "right"; g.fillStyle = colours.soft;
    s.rows.forEach((name, row) => {
      g.fillText(name, x0 - 6, Y(row));
      g.strokeStyle = colours.rule; g.lineWidth = 1; g.beginPath(); g.moveTo(x0, Y(row)); g.lineTo(x1, Y(row)); g.stroke();
    });
    g.textAlign = "left";
    g.save(); g.beginPath(); g.rect(x0, top, x1 - x0, stagesHeight()); g.clip();
    g.strokeStyle = colours.ink; g.beginPath();
    let last = null;
    s.spans.forEach(([a, b, row]) => {
      if (b < from || a > to) { last = null; return; }
      if (last && Math.abs(last[0] - a) < 1) g.lineTo(X(a), Y(row)); else g.moveTo(X(a), Y(row));
      g.lineTo(X(b), Y(row));
      last = [b, row];
    });
    g.lineWidth = 1.6; g.stroke(); g.restore();
  }

  function drawWake(g, x0, x1, top) {
    const c = data.wake_probability, height = wakeHeight() - 24, X = (t) => x0 + ((t - from) / (to - from)) * (x1 - x0);
    const Y = (v) => top + 14 + height - (v / 100) * height, quality = top + 16 + height;
    [0, c.from_pct, 100].forEach((v) => {
      g.strokeStyle = colours.rule; g.lineWidth = 1; g.beginPath(); g.moveTo(x0, Y(v)); g.lineTo(x1, Y(v)); g.stroke();
      g.textAlign = "right"; g.fillStyle = colours.soft; g.fillText(String(v), x0 - 5, Y(v));
    });
    g.textAlign = "left"; g.fillStyle = colours.ink;
    g.fillText("estimated probability of being awake, %, each " + c.step_s + " s; bar below: beats that can be trusted (" + c.label + ")", x0, top + 5, x1 - x0);
    g.save(); g.beginPath(); g.rect(x0, top + 12, x1 - x0, height + 12); g.clip();
    g.strokeStyle = colours.ink; g.lineWidth = 1.4; g.beginPath();
    let pen = false;
    c.pct.forEach((v, i) => {
      const a = i * c.step_s, b = a + c.step_s;
      if (v === null || b < from || a > to) { pen = false; return; }
      if (pen) g.lineTo(X(a), Y(v)); else g.moveTo(X(a), Y(v));
      g.lineTo(X(b), Y(v)); pen = true;
    });
    g.stroke(); g.fillStyle = colours.soft;
    c.trusted_pct.forEach((v, i) => {
      const a = i * c.step_s, b = a + c.step_s;
      if (b >= from && a <= to && v > 0) g.fillRect(X(a), quality + 5 - v / 20, X(b) - X(a) + 0.5, v / 20);
    });
    g.restore();
  }

  function drawHeart(g, x0, x1, top) {
    const h = data.heart, low = 40, high = 120, height = heartHeight() - 20;
    const Y = (v) => top + 16 + height - ((Math.min(Math.max(v, low), high) - low) / (high - low)) * height;
    g.lineWidth = 1;
    [40, 80, 120].forEach((v) => {
      g.strokeStyle = colours.rule; g.beginPath(); g.moveTo(x0, Y(v)); g.lineTo(x1, Y(v)); g.stroke();
      g.textAlign = "right"; g.fillStyle = colours.soft; g.fillText(String(v), x0 - 6, Y(v));
    });
    g.textAlign = "left"; g.fillStyle = colours.ink;
    g.fillText("heart rate, beats a minute, median of " + h.step_s + " s (" + h.label + ")", x0 + 4, top + 6, x1 - x0);
    g.save(); g.beginPath(); g.rect(x0, top + 12, x1 - x0, height + 6); g.clip();
    g.strokeStyle = colours.ink; g.lineWidth = 1.1; g.beginPath();
    const first = Math.max(Math.floor(from / h.step_s), 0), last = Math.min(Math.ceil(to / h.step_s), h.bpm.length);
    let pen = false;
    for (let i = first; i < last; i++) {
      if (h.bpm[i] === null) { pen = false; continue; }
      const x = x0 + (((i + 0.5) * h.step_s - from) / (to - from)) * (x1 - x0);
      if (pen) g.lineTo(x, Y(h.bpm[i])); else { g.moveTo(x - 0.6, Y(h.bpm[i])); g.lineTo(x, Y(h.bpm[i])); }
      pen = true;
    }
    g.stroke(); g.restore();
  }

  // why time of a channel cannot be scored, written where there is room
  function drawReasons(g, k, x0, x1, top, height) {
    const seats = [], span = to - from;
    data.excluded.forEach(([channel, reason, a, b]) => {
      if (channel !== k || b < from || a > to) return;
      const xa = Math.max(x0 + ((a - from) / span) * (x1 - x0), x0), xb = Math.min(x0 + ((b - from) / span) * (x1 - x0), x1);
      const room = xb - xa, [wide, brief] = data.reasons[reason];
      const seat = seats.filter((s) => s === Math.round(xa)).length;
      const text = g.measureText(wide).width + 10 < room ? wide : brief, length = g.measureText(text).width;
      if (length + 10 < room) boxed(g, text, (xa + xb - length) / 2, top + 10 + 17 * seat);
      else if (room > 16 * (seat + 1) && length < height) {
        g.save(); g.translate(room > 46 ? (xa + xb) / 2 + 18 * seat - 8 : xa + 8 + 17 * seat, top + (height + length) / 2); g.rotate(-Math.PI / 2); boxed(g, text, 0, 0); g.restore();
      } else return;
      seats.push(Math.round(xa));
    });
  }

  function drawLane(g, k, x0, x1, top, height) {
    const c = data.channels[k], codes = envelopes[k], span = to - from;
    const y = (code) => top + height - ((code - 1) / 254) * height;
    const yOf = (v) => top + height - (Math.log(v / c.low) / Math.log(c.high / c.low)) * height;
    g.lineWidth = 1; g.textAlign = "right";
    for (let d = Math.pow(10, Math.ceil(Math.log10(c.low) - 1e-9)), row = 0; d <= c.high * 1.0001; d *= 10, row++) {
      g.strokeStyle = colours.rule; g.beginPath(); g.moveTo(x0, yOf(d)); g.lineTo(x1, yOf(d)); g.stroke();
      g.fillStyle = colours.soft; if (height > 50 || row % 2 === 0) g.fillText(number(d), x0 - 6, yOf(d));
    }
    g.textAlign = "left";
    g.save();
    g.beginPath(); g.rect(x0, top - 2, x1 - x0, height + 4); g.clip();
    data.excluded.forEach(([channel, , a, b]) => {
      if (channel !== k || b < from || a > to) return;
      const xa = Math.max(x0 + ((a - from) / span) * (x1 - x0), x0 - 9), xb = Math.min(x0 + ((b - from) / span) * (x1 - x0), x1 + 9);
      if (xb - xa >= 1) hatched(g, xa, top, xb - xa, height);
    });
    g.fillStyle = colours.soft;
    data.hum.forEach(([channel, a, b]) => {
      if (channel !== k || b < from || a > to) return;
      const xa = Math.max(x0 + ((a - from) / span) * (x1 - x0), x0), xb = Math.min(x0 + ((b - from) / span) * (x1 - x0), x1);
      g.fillRect(xa, top + height - 2, Math.max(xb - xa, 1), 3);
    });
    const first = Math.max(Math.floor(from / c.step_s), 0), last = Math.min(Math.ceil(to / c.step_s), codes.length);
    const perStep = (c.step_s / span) * (x1 - x0);
    g.fillStyle = colours.ink;
    g.beginPath();
    if (perStep >= 1.5) {
      let before = 0;
      for (let i = first; i < last; i++) {
        if (codes[i]) {
          const x = x0 + ((i * c.step_s - from) / span) * (x1 - x0), here = y(codes[i]);
          g.rect(x - 0.6, here - 0.6, perStep + 1.2, 1.2);
          if (before) g.rect(x - 0.6, Math.min(y(before), here), 1.2, Math.abs(y(before) - here));
        }
        before = codes[i];
      }
    } else {
      for (let x = Math.floor(x0); x < x1; x++) {
        const a = Math.max(Math.floor((from + ((x - x0) / (x1 - x0)) * span) / c.step_s), 0);
        const b = Math.min(Math.max(Math.floor((from + ((x + 1 - x0) / (x1 - x0)) * span) / c.step_s), a + 1), codes.length);
        let low = 256, high = 0;
        for (let i = Math.max(a - 1, 0); i < b; i++) { const v = codes[i]; if (v) { if (v < low) low = v; if (v > high) high = v; } }
        if (high) g.rect(x, y(high), 1, Math.max(y(low) - y(high), 1));
      }
    }
    g.fill();
    if (c.threshold !== null && c.threshold > c.low && c.threshold < c.high) {
      g.strokeStyle = colours.limit; g.lineWidth = 1.5; g.setLineDash([6, 4]);
      g.beginPath(); g.moveTo(x0, yOf(c.threshold)); g.lineTo(x1, yOf(c.threshold)); g.stroke();
      g.setLineDash([]);
    }
    drawReasons(g, k, x0, x1, top, height);
    g.restore();
    g.fillStyle = colours.ink;
    const whole = ", envelope, " + c.unit + ", logarithmic" + (c.threshold === null ? "" : "; dashed: " + c.threshold_word + " " + digits(c.threshold));
    g.fillText(c.label + (narrow() ? ", " + c.unit + ", logarithmic" : whole), x0 + 4, top - 7, x1 - x0 - 8);
  }

  function drawMarks(g, x0, x1, bottom) {
    const taken = [];
    const order = data.marks.filter((m) => m[2].startsWith("lights")).concat(data.marks.filter((m) => !m[2].startsWith("lights")));
    order.forEach(([t, length, label]) => {
      if (t + length < from || t > to) return;
      const x = x0 + ((t - from) / (to - from)) * (x1 - x0);
      const w = Math.max((length / (to - from)) * (x1 - x0), 0);
      g.strokeStyle = colours.soft; g.lineWidth = 1;
      g.beginPath(); g.moveTo(x, 13); g.lineTo(x, bottom); g.globalAlpha = 0.55; g.stroke(); g.globalAlpha = 1;
      g.fillStyle = colours.soft; g.fillRect(Math.max(x, x0), 14, Math.max(Math.min(w, x1 - x), 2), 3);
      const text = label.length > 28 ? label.slice(0, 27) + "…" : label, wide = g.measureText(text).width;
      const place = Math.min(Math.max(x, x0), x1 - wide);
      if (taken.every(([a, b]) => place > b + 10 || place + wide < a - 10)) {
        g.fillStyle = colours.ink; g.fillText(text, place, 7); taken.push([place, place + wide]);
      }
    });
  }

  function drawEpisodes(g, x0, x1, top, X) {
    g.textAlign = "right"; g.fillStyle = colours.ink;
    lanes.forEach((kind, row) => { g.fillStyle = colours.ink; g.fillText(data.kinds[kind], x0 - 6, top + (row + 0.5) * KIND); });
    g.textAlign = "right"; g.fillStyle = colours.ink; g.fillText(narrow() ? "single" : "single bursts", x0 - 6, top + (lanes.length + 0.5) * KIND);
    g.textAlign = "left";
    g.save();
    g.beginPath(); g.rect(x0, top, x1 - x0, kindsHeight()); g.clip();
    const margin = (to - from) * 0.02;
    data.episodes.forEach(([a, b, kind, n], i) => {
      if (b < from - margin || a > to + margin) return;
      const row = top + (lanes.indexOf(kind) + 0.5) * KIND;
      drawKind(g, data.kinds[kind], X(a), X(b), row, !n);
      if (i === selected) {
        g.strokeStyle = colours.ink; g.lineWidth = 1.5;
        const xa = Math.min(X(a), (X(a) + X(b)) / 2 - 7), xb = Math.max(X(b), (X(a) + X(b)) / 2 + 7);
        g.strokeRect(xa - 1.5, row - 7.5, xb - xa + 3, 15);
      }
    });
    g.fillStyle = colours.unclassified;
    data.bursts.forEach(([a, b, , episode, counts]) => {
      if (episode >= 0 || b < from || a > to) return;
      g.globalAlpha = counts ? 0.9 : 0.35;
      g.fillRect(X(a), top + lanes.length * KIND + 4, Math.max(X(b) - X(a), 1.5), KIND - 8);
    });
    g.restore();
  }

  function draw() {
    waiting = false;
    const { g, width, height } = prepared(canvas, stripHeight());
    const x0 = leftGutter(), x1 = width - RIGHT, span = to - from;
    const X = (t) => x0 + ((t - from) / span) * (x1 - x0);
    const bottom = height - FOOT;
    g.fillStyle = colours.outside; g.fillRect(x0, HEAD - 4, x1 - x0, bottom - HEAD + 4);
    g.fillStyle = colours.sheet;
    data.window.forEach(([a, b]) => {
      const xa = Math.max(X(a), x0), xb = Math.min(X(b), x1);
      if (xb > xa) g.fillRect(xa, HEAD - 4, xb - xa, bottom - HEAD + 4);
    });
    if (selected >= 0) {
      const [a, b] = data.episodes[selected];
      const xa = Math.max(Math.min(X(a), (X(a) + X(b)) / 2 - 4), x0), xb = Math.min(Math.max(X(b), X(a) + 4), x1);
      if (xb > xa) { g.fillStyle = colours.wash; g.fillRect(xa, HEAD - 4, xb - xa, bottom - HEAD + 4); }
    }
    timeAxis(g, from, to, x0, x1, HEAD - 4, bottom);
    drawMarks(g, x0, x1, bottom);
    data.channels.forEach((c, k) => drawLane(g, k, x0, x1, HEAD + GAP + k * (laneHeight() + GAP), laneHeight()));
    const top = HEAD + data.channels.length * (laneHeight() + GAP) + 4;
    drawEpisodes(g, x0, x1, top, X);
    const below = top + kindsHeight();
    if (data.stages) drawStages(g, x0, x1, below);
    if (data.heart) drawHeart(g, x0, x1, below + stagesHeight());
    if (data.wake_probability) drawWake(g, x0, x1, below + stagesHeight() + heartHeight());
    g.strokeStyle = colours.soft; g.lineWidth = 1;
    g.strokeRect(x0 - 0.5, HEAD - 4.5, x1 - x0 + 1, bottom - HEAD + 5);
    canvas.dataset.from = from.toFixed(3);
    canvas.dataset.to = to.toFixed(3);
    canvas.dataset.selected = String(selected);
    canvas.dataset.drawn = "1";
  }

  function later() { if (!waiting) { waiting = true; requestAnimationFrame(draw); } }

  function show(a, b) {
    const span = Math.min(Math.max(b - a, LEAST), duration);
    from = Math.min(Math.max(a, 0), duration - span);
    to = from + span;
    later();
  }

  function zoom(factor, at) {
    const t = at === undefined ? (from + to) / 2 : at;
    const span = Math.min(Math.max((to - from) * factor, LEAST), duration);
    const share = (t - from) / (to - from);
    show(t - share * span, t - share * span + span);
  }

  function move(share) { const d = (to - from) * share; show(from + d, to + d); }

  function select(i) {
    selected = i;
    const [a, b] = data.episodes[i];
    if (a < from || b > to) { const span = Math.max(to - from, (b - a) * 1.5); show((a + b - span) / 2, (a + b + span) / 2); }
    told.textContent = data.summaries[i] + ".";
    document.querySelectorAll(".episodes tr.chosen").forEach((row) => row.classList.remove("chosen"));
    const row = document.querySelector('.episodes tr[data-episode="' + i + '"]');
    if (row) {
      row.classList.add("chosen");
      const box = row.closest("details[open] .tall"); // a folded table is not laid out for this
      if (box && (row.offsetTop < box.scrollTop + 40 || row.offsetTop + row.offsetHeight > box.scrollTop + box.clientHeight)) {
        box.scrollTop = row.offsetTop - box.clientHeight / 2;
      }
    }
    later();
    drawCloseUp();
  }

  // what does not count is passed by
  function step(by) {
    if (!counted.length) return;
    const at = selected >= 0 ? data.episodes[selected][0] : from;
    const ahead = counted.filter((i) => (by > 0 ? data.episodes[i][0] > at : data.episodes[i][0] < at));
    if (ahead.length) select(by > 0 ? ahead[0] : ahead[ahead.length - 1]);
    else told.textContent = data.summaries[selected] + ". This is the " + (by > 0 ? "last" : "first") + " that counts.";
  }

  function traceOf(i) {
    const t = data.traces;
    if (!traceCodes || !t || t.of[i] < 0) return null;
    const [channel, first, stride, n, scale] = t.rows[t.of[i]], at = traceCodes.offsets[t.of[i]];
    return { channel, first, step: stride, n, scale, low: traceCodes.codes.subarray(at, at + n), high: traceCodes.codes.subarray(at + n, at + 2 * n) };
  }

  function roundBelow(most) {
    const base = Math.pow(10, Math.floor(Math.log10(most)));
    return [5, 2, 1].map((m) => m * base).find((v) => v <= most) || base;
  }

  function hatchExcluded(g, k, X, a, b, x0, x1, top, height) {
    data.excluded.forEach(([channel, , ea, eb]) => {
      if (channel === k && eb > a && ea < b) hatched(g, Math.max(X(ea), x0), top, Math.min(X(eb), x1) - Math.max(X(ea), x0), height);
    });
  }

  // the signal by its own scale: all of it fits, and no threshold of the envelope lies over it
  function drawTrace(g, t, X, a, b, x0, x1, top, height) {
    const c = data.channels[t.channel], middle = top + height / 2, half = height / 2 - 2;
    const Y = (code) => middle - ((code - 128) / 127) * half;
    const most = 127 * t.scale, tick = roundBelow(most);
    g.lineWidth = 1;
    [-tick, 0, tick].forEach((v) => {
      const y = middle - (v / most) * half;
      g.strokeStyle = colours.rule; g.beginPath(); g.moveTo(x0, y); g.lineTo(x1, y); g.stroke();
      g.fillStyle = colours.soft; g.textAlign = "right"; g.fillText(number(v).replace("-", "−"), x0 - 6, y);
    });
    g.textAlign = "left";
    hatchExcluded(g, t.channel, X, a, b, x0, x1, top, height);
    g.save();
    g.beginPath(); g.rect(x0, top, x1 - x0, height); g.clip();
    g.fillStyle = colours.ink;
    const w = Math.max(X(t.first + t.step) - X(t.first), 0.7);
    for (let i = 0; i < t.n; i++) {
      if (!t.low[i]) continue;
      const high = Y(t.high[i]), low = Y(t.low[i]);
      g.fillRect(X(t.first + i * t.step), high, w, Math.max(low - high, 0.8));
    }
    g.restore();
    g.fillStyle = colours.ink; g.fillText(c.label + ", signal, " + c.unit, x0 + 4, top - 7, x1 - x0 - 8);
  }

  function drawEnvelope(g, s, k, X, a, b, x0, x1, top, height) {
    let most = s.c.threshold ? s.c.threshold * 1.6 : s.c.low * 4;
    s.out.forEach((v) => { if (v > most) most = v; });
    const Y = (v) => top + height - (Math.min(v, most) / most) * (height - 3);
    const tick = roundBelow(most);
    g.lineWidth = 1;
    [0, tick].forEach((v) => {
      g.strokeStyle = colours.rule; g.beginPath(); g.moveTo(x0, Y(v)); g.lineTo(x1, Y(v)); g.stroke();
      g.fillStyle = colours.soft; g.textAlign = "right"; g.fillText(number(v), x0 - 6, Y(v));
      if (s.c.mvc && v) { g.textAlign = "left"; g.fillText(((100 * v) / s.c.mvc).toFixed(0) + " %", x1 + 5, Y(v)); }
    });
    g.textAlign = "left";
    hatchExcluded(g, k, X, a, b, x0, x1, top, height);
    g.strokeStyle = colours.ink; g.lineWidth = 1; g.beginPath();
    let pen = false;
    s.out.forEach((v, i) => {
      if (Number.isNaN(v)) { pen = false; return; }
      const x = X(s.first + (i + 0.5) * s.step);
      if (pen) g.lineTo(x, Y(v)); else g.moveTo(x, Y(v));
      pen = true;
    });
    g.stroke();
    if (s.c.threshold) {
      g.strokeStyle = colours.limit; g.lineWidth = 1.5; g.setLineDash([6, 4]);
      g.beginPath(); g.moveTo(x0, Y(s.c.threshold)); g.lineTo(x1, Y(s.c.threshold)); g.stroke(); g.setLineDash([]);
    }
    g.fillStyle = colours.ink;
    g.fillText(s.c.label + ", envelope, " + s.c.unit + (s.c.mvc ? "; right: % " + (narrow() ? "MVC" : "of maximal clench (MVC)") : ""), x0 + 4, top - 7, x1 - x0 - 8);
  }

  function seriesOf(i) {
    const u = data.close_ups;
    return data.channels.map((c, k) => {
      const first = closeUps.offsets[i][k], n = u.n[i][k], out = new Float64Array(n), ratio = Math.log(c.high / c.low);
      for (let j = 0; j < n; j++) { const code = closeUps.codes[first + j]; out[j] = code ? c.low * Math.exp(((code - 1) / 254) * ratio) : NaN; }
      return { c, first: u.first_s[i][k], step: u.step_s[k], out };
    });
  }

  function drawCloseUp() {
    if (selected < 0 || !closeUps) return;
    $("close").hidden = false;
    const n = data.channels.length, lane = dense ? 36 : 50, raw = dense ? 48 : 66, head = 16;
    const [start, stop, , episode] = data.episodes[selected];
    $("close-title").textContent = episode ? "Close-up of episode " + episode : "Close-up of an episode that does not count, " + clock(start, true);
    const series = seriesOf(selected);
    const a = Math.min(...series.map((s) => s.first)), b = Math.max(...series.map((s) => s.first + s.step * s.out.length));
    const trace = traceOf(selected), under = trace ? raw + head : 0;
    const { g, width, height } = prepared(closeCanvas, 4 + under + n * (lane + head) + KIND + FOOT);
    const x0 = leftGutter(), x1 = width - (data.channels.some((c) => c.mvc) ? 50 : RIGHT), bottom = height - FOOT;
    const X = (t) => x0 + ((t - a) / (b - a)) * (x1 - x0);
    g.fillStyle = colours.sheet; g.fillRect(x0, 2, x1 - x0, bottom - 2);
    const near = data.bursts.filter((r) => r[1] > a && r[0] < b);
    g.fillStyle = colours.wash;
    near.forEach((r) => { if (r[3] === selected) g.fillRect(X(r[0]), 2, X(r[1]) - X(r[0]), bottom - 2); });
    timeAxis(g, a, b, x0, x1, 2, bottom);
    if (trace) drawTrace(g, trace, X, a, b, x0, x1, head + 2, raw);
    series.forEach((s, k) => drawEnvelope(g, s, k, X, a, b, x0, x1, head + 2 + under + k * (lane + head), lane));
    closeCanvas.dataset.trace = trace ? data.channels[trace.channel].label : "";
    const row = bottom - KIND / 2;
    g.save(); g.beginPath(); g.rect(x0, 0, x1 - x0, height); g.clip();
    near.forEach((r) => drawKind(g, data.burst_kinds[r[2]], Math.max(X(r[0]), x0 - 20), Math.min(X(r[1]), x1 + 20), row, r[3] !== selected));
    g.restore();
    g.textAlign = "right"; g.fillStyle = colours.ink; g.fillText("bursts", x0 - 6, row); g.textAlign = "left";
    g.strokeStyle = colours.soft; g.lineWidth = 1; g.strokeRect(x0 - 0.5, 1.5, x1 - x0 + 1, bottom - 1.5);
    $("close-note").textContent = "Envelope over " + data.close_ups.window_s.toFixed(2) + " s, drawn each " + Math.round(1000 * data.close_ups.step_s[0]) + " ms" +
      (trace ? "; signal: lowest to highest value in each " + Math.round(1000 * trace.step) + " ms" : "") +
      ", from 5 s before to 5 s after. Shaded: bursts of this episode. Pale: bursts of another episode or of none." +
      (stop - start > b - a ? " Only the first " + Math.round(b - a) + " s are drawn." : "");
    closeCanvas.dataset.episode = String(selected);
  }

  function timeAt(event) {
    const box = canvas.getBoundingClientRect(), x0 = leftGutter(), x1 = box.width - RIGHT;
    return from + ((event.clientX - box.left - x0) / (x1 - x0)) * (to - from);
  }

  function point(event) {
    const t = timeAt(event);
    if (t < 0 || t > duration) return;
    const parts = data.channels.map((c, k) => {
      const code = envelopes[k][Math.floor(t / c.step_s)];
      return c.label + " " + (code ? digits(c.low * Math.exp(((code - 1) / 254) * Math.log(c.high / c.low))) + " " + c.unit : "not recorded");
    });
    const why = data.excluded.filter((e) => t >= e[2] && t < e[3]).map((e) => data.channels[e[0]].label + ": " + data.reasons[e[1]][0]);
    if (data.heart) { const bpm = data.heart.bpm[Math.floor(t / data.heart.step_s)]; if (bpm) parts.push(bpm + " beats a minute"); }
    if (data.stages) { const s = data.stages.spans.find((e) => t >= e[0] && t < e[1]); if (s) parts.push("stage " + data.stages.rows[s[2]]); }
    const mark = data.marks.filter((m) => Math.abs(m[0] - t) < (to - from) / 200).map((m) => "mark: " + m[2]);
    pointed.textContent = [clock(t, true), ...parts, ...why, ...mark].join("; ");
  }

  const actions = {
    previous: () => step(-1), next: () => step(1), in: () => zoom(0.5), out: () => zoom(2),
    earlier: () => move(-0.25), later: () => move(0.25), all: () => show(0, duration),
  };
  const keys = { n: "next", p: "previous", "+": "in", "=": "in", "-": "out", "0": "all" };
  const stripKeys = { ArrowLeft: "earlier", ArrowRight: "later", ArrowUp: "in", ArrowDown: "out", Home: "all" };
  // whether letters are keys is remembered where the browser allows it
  const kept = {
    get() { try { return localStorage.getItem("night-page-letters") !== "off"; } catch { return true; } },
    set(on) { try { localStorage.setItem("night-page-letters", on ? "on" : "off"); } catch { /* not allowed here */ } },
  };

  function listen() {
    document.querySelectorAll("[data-do]").forEach((b) => b.addEventListener("click", () => actions[b.dataset.do]()));
    letters.checked = kept.get();
    letters.addEventListener("change", () => kept.set(letters.checked));
    document.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const name = (letters.checked && keys[event.key]) || (document.activeElement === canvas ? stripKeys[event.key] : undefined);
      if (name) { event.preventDefault(); actions[name](); }
    });
    canvas.addEventListener("wheel", (event) => {
      if (document.activeElement !== canvas && !event.ctrlKey) return;
      event.preventDefault();
      zoom(Math.exp(Math.max(Math.min(event.deltaY, 240), -240) / 400), timeAt(event));
    }, { passive: false });
    let held = null;
    canvas.addEventListener("pointerdown", (event) => {
      held = { x: event.clientX, from, to, moved: false };
      canvas.setPointerCapture(event.pointerId);
      canvas.classList.add("held");
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!held) { point(event); return; }
      const shift = event.clientX - held.x;
      if (Math.abs(shift) > 3) held.moved = true;
      const width = canvas.clientWidth - leftGutter() - RIGHT;
      if (held.moved) { const d = (-shift / width) * (held.to - held.from); show(held.from + d, held.to + d); }
    });
    canvas.addEventListener("pointerup", (event) => {
      canvas.classList.remove("held");
      if (held && !held.moved) {
        const t = timeAt(event), reach = ((to - from) * 8) / canvas.clientWidth;
        let best = -1, least = Infinity;
        data.episodes.forEach(([a, b], i) => {
          const d = t < a ? a - t : t > b ? t - b : 0;
          if (d < least && d <= reach) { least = d; best = i; }
        });
        if (best >= 0) select(best);
      }
      held = null;
    });
    canvas.addEventListener("pointercancel", () => { held = null; canvas.classList.remove("held"); });
    canvas.addEventListener("pointerleave", () => { if (!held) pointed.textContent = "\u00a0"; });
    document.querySelectorAll(".episodes tbody tr").forEach((row) => row.addEventListener("click", () => {
      select(Number(row.dataset.episode));
      $("strip-section").scrollIntoView({ block: "start" });
    }));
    let width = canvas.clientWidth;
    new ResizeObserver(() => {
      if (canvas.clientWidth !== width) { width = canvas.clientWidth; later(); drawCloseUp(); }
    }).observe(canvas);
    repaint(() => { draw(); drawCloseUp(); });
    const unfold = () => { const e = location.hash && document.getElementById(location.hash.slice(1)); for (let d = e && e.closest("details"); d; d = d.parentElement.closest("details")) d.open = true; if (e) e.scrollIntoView(); };
    window.addEventListener("hashchange", unfold);
    unfold();
  }

  async function begin() {
    document.querySelectorAll(".contents a").forEach((a) => a.addEventListener("click", () => { a.closest("details").open = false; }));
    if (typeof DecompressionStream === "undefined") { $("no-viewer").hidden = false; return; }
    const [all, codes, bytes] = await Promise.all([data.envelope, data.close_ups.data, data.traces ? data.traces.data : ""].map((text) => text ? unpack(text) : null));
    let at = 0;
    data.channels.forEach((c) => { envelopes.push(all.subarray(at, at + c.n)); at += c.n; });
    $("viewer").hidden = false;
    document.body.classList.add("drawn");
    const offsets = [];
    at = 0;
    data.close_ups.n.forEach((row) => { offsets.push(row.map((n) => { const o = at; at += n; return o; })); });
    closeUps = { codes, offsets };
    if (data.traces) {
      const starts = [];
      at = 0;
      data.traces.rows.forEach((row) => { starts.push(at); at += 2 * row[3]; });
      traceCodes = { codes: bytes, offsets: starts };
    }
    listen();
    if (counted.length) select(counted[0]); else drawCloseUp();
    draw();
    if (!counted.length) told.textContent = "No episode counts in this night.";
    canvas.dataset.ready = String(Math.round(performance.now()));
  }

  begin().catch(() => { $("no-viewer").hidden = false; document.body.classList.remove("drawn"); });
})();
