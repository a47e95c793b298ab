"use strict";
// What the pages about a night draw with: colours of the scheme, clock, axes, and the sign of each kind.
function drawing(clock_s, right) {
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  // one object for the life of the page, so that a change of the scheme reaches whoever draws
  const colours = {};
  function paint(scheme) { Object.assign(colours, PALETTES[scheme], { short: PALETTES[scheme].unclassified }); }
  function repaint(draw) {
    dark.addEventListener("change", () => { paint(dark.matches ? "dark" : "light"); draw(); });
    window.addEventListener("beforeprint", () => { paint("light"); draw(); });
    window.addEventListener("afterprint", () => { paint(dark.matches ? "dark" : "light"); draw(); });
  }
  paint(dark.matches ? "dark" : "light");
  const font = "12px system-ui, 'Segoe UI', 'Liberation Sans', sans-serif";

  function clock(second, withSeconds) {
    const whole = Math.floor(second + (clock_s || 0) + 1e-6);
    const h = Math.floor(whole / 3600), m = Math.floor(whole / 60) % 60, s = ((whole % 60) + 60) % 60;
    const two = (v) => String(v).padStart(2, "0");
    const head = clock_s === null ? "+" + h + ":" + two(m) : two(h % 24) + ":" + two(m);
    return withSeconds ? head + ":" + two(s) : head;
  }

  function digits(v) { return v >= 100 ? v.toFixed(0) : v >= 10 ? v.toFixed(1) : v.toFixed(2); }

  function prepared(element, height) {
    const width = Math.max(element.clientWidth, 200), ratio = window.devicePixelRatio || 1;
    element.style.height = height + "px";
    element.width = Math.round(width * ratio);
    element.height = Math.round(height * ratio);
    const g = element.getContext("2d");
    g.setTransform(ratio, 0, 0, ratio, 0, 0);
    g.clearRect(0, 0, width, height);
    g.font = font;
    g.textBaseline = "middle";
    return { g, width, height };
  }

  function hatched(g, x, y, w, h) {
    g.save();
    g.beginPath(); g.rect(x, y, w, h); g.clip();
    g.fillStyle = colours.outside; g.fillRect(x, y, w, h);
    g.strokeStyle = colours.hatch; g.lineWidth = 1;
    g.beginPath();
    for (let p = Math.floor((x - h) / 7) * 7; p < x + w; p += 7) { g.moveTo(p, y + h); g.lineTo(p + h, y); }
    g.stroke();
    g.restore();
  }

  function boxed(g, text, x, y) {
    const w = g.measureText(text).width;
    g.fillStyle = colours.sheet; g.globalAlpha = 0.86; g.fillRect(x - 3, y - 8, w + 6, 16); g.globalAlpha = 1;
    g.fillStyle = colours.ink; g.fillText(text, x, y);
  }

  // each kind has its own shape, pattern and colour: narrow events get a sign, wide ones a patterned bar
  function drawKind(g, kind, a, b, y, pale) {
    g.save();
    g.globalAlpha = pale ? 0.4 : 1;
    g.fillStyle = g.strokeStyle = colours[kind];
    const mid = (a + b) / 2, w = b - a;
    if (w < 12) {
      g.beginPath();
      if (kind === "phasic") { g.moveTo(mid - 5, y + 4.5); g.lineTo(mid, y - 4.5); g.lineTo(mid + 5, y + 4.5); g.closePath(); g.fill(); }
      else if (kind === "tonic") { g.fillRect(mid - 4.5, y - 4.5, 9, 9); }
      else if (kind === "mixed") { g.moveTo(mid - 5.5, y); g.lineTo(mid, y - 5.5); g.lineTo(mid + 5.5, y); g.lineTo(mid, y + 5.5); g.closePath(); g.fill(); }
      else if (kind === "short") { g.fillRect(mid - 1, y - 5, 2, 10); }
      else { g.fillRect(mid - 5, y - 2.5, 10, 5); }
    } else if (kind === "tonic") {
      g.fillRect(a, y - 5, w, 10);
    } else if (kind === "unclassified" || kind === "short") {
      g.fillRect(a, y - 2.5, w, 5);
    } else {
      g.lineWidth = 1.5;
      g.strokeRect(a + 0.75, y - 5, Math.max(w - 1.5, 1), 10);
      g.beginPath(); g.rect(a, y - 5, w, 10); g.clip();
      g.beginPath(); g.lineWidth = kind === "mixed" ? 3 : 2;
      if (kind === "phasic") { for (let p = a + 5; p < b; p += 5) { g.moveTo(p, y - 5); g.lineTo(p, y + 5); } }
      if (kind === "mixed") { for (let p = a - 10; p < b; p += 7) { g.moveTo(p, y + 5); g.lineTo(p + 10, y - 5); } }
      g.stroke();
    }
    g.restore();
  }

  function timeTicks(span, width) {
    const steps = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800];
    return steps.find((s) => (s / span) * width >= 74) || 28800;
  }

  function timeAxis(g, a, b, x0, x1, top, bottom) {
    const step = timeTicks(b - a, x1 - x0), shift = clock_s || 0;
    g.textAlign = "center";
    for (let t = Math.ceil((a + shift) / step) * step - shift; t <= b; t += step) {
      const x = x0 + ((t - a) / (b - a)) * (x1 - x0);
      g.strokeStyle = colours.rule; g.lineWidth = 1;
      g.beginPath(); g.moveTo(x, top); g.lineTo(x, bottom + 4); g.stroke();
      g.fillStyle = colours.soft;
      const text = step < 1 ? clock(t, true) + ((((t + shift) % 1) + 1) % 1).toFixed(2).slice(1) : clock(t, step < 60), half = g.measureText(text).width / 2;
      if (x + half < x1 + right && x - half > 0) g.fillText(text, x, bottom + 15);
    }
    g.textAlign = "left";
  }

  return { colours, repaint, at: (s) => { clock_s = s; }, clock, digits, prepared, hatched, boxed, drawKind, timeAxis };
}
