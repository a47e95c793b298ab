(function () {
  const $ = (id) => document.getElementById(id);
  const page = $("page");
  let token = "", study = "", count = 0, lastJob = 0, shown = "", at = "", busy = 0, ended = false;

  const kept = {
    get(name) { try { return sessionStorage.getItem(name) || ""; } catch { return ""; } },
    set(name, value) { try { sessionStorage.setItem(name, value); } catch { /* private mode */ } },
  };
  async function ask(path, options) {
    const response = await fetch(path, Object.assign({ cache: "no-store" }, options, { headers: Object.assign({ "X-Review-Token": token, "X-Study": study }, options && options.headers) }));
    const value = await response.json();
    if (response.status === 403 && path !== "/api/enter" && !ended) { token = ""; kept.set("token", ""); atTheDoor("This window is not let in, or the page was started anew. Type the code that stands in the terminal."); }
    if (!response.ok) throw new Error(value.error);
    return value;
  }
  const post = (path, value) => ask(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(value) });
  function warn(text) { $("alert").textContent = text; $("alert").hidden = !text; }
  // what a person did was refused: it is shown where the person looks
  function refuse(error) { lost(error); $("alert").scrollIntoView({ block: "nearest" }); $("alert").focus({ preventScroll: true }); }
  function lost(error) { if (!ended) warn(error instanceof TypeError ? "The program behind this page does not answer. What was entered before is on disk; start it again and load this page." : error.message); }
  const wanted = () => location.hash.slice(1) || "nights";

  // a new picture of the same screen changes only what is new, so that nothing goes from under a person's hands
  function renew(old, fresh) {
    if (old.isEqualNode(fresh)) return;
    if (old.nodeName !== fresh.nodeName || old.nodeType !== fresh.nodeType) { old.replaceWith(fresh); return; }
    if (old.nodeType !== Node.ELEMENT_NODE) { if (old.data !== fresh.data) old.data = fresh.data; return; }
    if (old.localName === "canvas" || (old.dataset.as && old === document.activeElement)) return;
    const before = old.getAttribute("value"), dirty = old.localName === "input" && old.value !== old.defaultValue;
    [...old.attributes].filter((x) => !fresh.hasAttribute(x.name) && !(x.name === "open" && old.localName === "details")).forEach((x) => old.removeAttribute(x.name));
    [...fresh.attributes].filter((x) => old.getAttribute(x.name) !== x.value).forEach((x) => old.setAttribute(x.name, x.value));
    const parts = [...old.childNodes], others = [...fresh.childNodes];
    others.forEach((part, k) => { if (parts[k]) renew(parts[k], part); else old.append(part); });
    parts.slice(others.length).forEach((part) => part.remove());
    if (old.localName === "option") old.selected = fresh.hasAttribute("selected");
    if (old.type === "checkbox" && old.closest("[data-live]")) old.checked = fresh.hasAttribute("checked");
    if (dirty && before !== fresh.getAttribute("value") && old !== document.activeElement) old.value = fresh.getAttribute("value") || "";
  }

  function show(answer, own) {
    const other = study && answer.study !== study && !own;
    study = answer.study; count = answer.count;
    job(answer.job);
    document.title = answer.title + " - sleepbrux";
    const arriving = answer.at !== at || page.hidden, template = document.createElement("template");
    at = answer.at;
    page.hidden = false; $("door").hidden = true;
    if (arriving) { warn(""); page.innerHTML = answer.html; scrollTo(0, 0); if (shown) $("main").focus({ preventScroll: true }); }
    else if (answer.html !== shown) {
      template.innerHTML = "<div>" + answer.html + "</div>";
      const fresh = template.content.firstChild, parts = [...page.childNodes], others = [...fresh.childNodes];
      others.forEach((part, k) => { if (parts[k]) renew(parts[k], part); else page.append(part); });
      parts.slice(others.length).forEach((part) => part.remove());
    }
    shown = answer.html;
    if (other) warn("Another study was opened or left in another window, or by a second start. This page now shows: " + answer.title + ".");
    job(answer.job);
    clenches();
    document.body.dataset.at = at;
  }
  function job(now) {
    const line = $("job");
    document.body.dataset.job = now ? now.about : "";
    if (!line) return;
    line.hidden = !now;
    if (!now) return;
    $("job-words").textContent = now.about; $("job-said").textContent = now.said; $("job-bar").value = now.share;
  }
  async function load() {
    const go = wanted();
    if (go.startsWith("review/")) { location.assign("/review#night=" + Number(go.split("/")[1])); return; }
    show(await ask("/api/screen?at=" + encodeURIComponent(go)));
    document.body.dataset.ready = "1";
  }
  // silent until the program has something new; one request waits all the time
  async function listen() {
    for (;;) {
      if (!token || ended) return;
      try {
        const news = await ask("/api/changes?since=" + count);
        if (ended) return;
        job(news.job);
        const over = news.last !== lastJob;
        lastJob = news.last;
        if (news.count !== count) { count = news.count; if (!news.job || over || !$("job") || $("job").hidden) await load(); else job(news.job); }
      } catch (error) {
        if (!token || ended) return;
        if (error instanceof TypeError) { lost(error); await new Promise((r) => setTimeout(r, 1500)); } else return;
      }
    }
  }

  async function act(action, fields, live) {
    busy += 1; document.body.dataset.busy = "1";
    try {
      const answer = await post("/api/do", { action: action, fields: fields, at: wanted() });
      warn("");
      if (answer.ask) { question(answer, live); return; }
      if (answer.go) { location.assign(answer.go); return; }
      $("told").textContent = answer.told || "";
      if (answer.at !== wanted()) history.pushState(null, "", "#" + answer.at);
      show(answer, true);
    } catch (error) { if (live) live.reset(); refuse(error); }
    finally { busy -= 1; if (!busy) document.body.dataset.busy = ""; }
  }
  function question(answer, live) {
    const dialog = $("ask"), row = $("ask-answers");
    $("ask-text").textContent = answer.ask;
    const button = (words, then) => { const b = document.createElement("button"); b.type = "button"; b.textContent = words; b.addEventListener("click", () => { dialog.close(); then(); }); return b; };
    const again = () => { if (live) live.reset(); };
    row.replaceChildren(...answer.answers.map(([words, fields]) => button(words, () => act(answer.action, fields))), button("cancel", again));
    dialog.showModal();
  }
  const data = (element) => Object.fromEntries(Object.entries(element.dataset).filter(([k]) => !["do", "live", "other", "as", "off"].includes(k)));
  const valueOf = (e) => (e.type === "checkbox" && !e.checked ? e.dataset.off || "" : e.value);

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-do]");
    if (button) { act(button.dataset.do, data(button)); return; }
    if (event.target.id === "quit") { ended = true; post("/api/quit", {}).then((v) => { token = ""; warn(""); page.hidden = true; $("told").textContent = "The program has " + v.told + "."; document.body.dataset.ended = "1"; }).catch((error) => { ended = false; refuse(error); }); }
    if (event.target.id === "print") $("preview").contentWindow.print();
  });
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.id === "door") { event.preventDefault(); enter($("code").value).then(begin).catch((e) => { if (e instanceof TypeError) lost(e); else atTheDoor(e.message); }); return; }
    if (!form.dataset.do) return;
    event.preventDefault();
    if (form.dataset.live) { if (document.activeElement) document.activeElement.blur(); return; }
    const fields = data(form);
    [...form.elements].filter((e) => e.name && (e.type !== "radio" || e.checked)).forEach((e) => { fields[e.name] = valueOf(e); });
    if (form.id === "clench-form") Object.assign(fields, chosen());
    act(form.dataset.do, fields);
  });
  document.addEventListener("change", (event) => {
    const e = event.target, form = e.closest("form[data-live]");
    if (e.id === "files" || e.id === "folder") { bring(e.id === "files" ? [...e.files] : wantedOf([...e.files])); e.value = ""; return; }
    if (!form) return;
    if (e.dataset.other && e.selectedIndex === e.options.length - 1) { const more = $(e.dataset.other); more.hidden = false; more.focus(); return; }
    const fields = data(form);
    fields[e.dataset.as || e.name] = valueOf(e);
    act(form.dataset.do, fields, form);
  });
  addEventListener("hashchange", () => load().catch(lost));
  addEventListener("focus", () => { if (token && !busy && !ended) load().catch(lost); });

  // of a folder all files in it and below, without hidden ones and those that the program itself writes
  const OWN = /(^\.|\.(toml|jsonl?|html|pdf|py|part|night\.h5)$)/i, MOST_FILES = 2000;
  const wantedOf = (files) => files.filter((f) => !OWN.test(f.name));
  async function below(entry, found) {
    if (found.length >= MOST_FILES || entry.name.startsWith(".")) return;
    if (entry.isFile) { found.push(await new Promise((done, failed) => entry.file(done, failed))); return; }
    const reader = entry.createReader();
    for (;;) {
      const part = await new Promise((done, failed) => reader.readEntries(done, failed));
      if (!part.length) return;
      for (const one of part) await below(one, found);
    }
  }
  // entries have to be asked for at once: a browser forgets them when the event is over
  async function dropped(data) {
    const entries = [...(data.items || [])].map((i) => i.webkitGetAsEntry && i.webkitGetAsEntry()).filter(Boolean);
    if (!entries.some((e) => e.isDirectory)) return [...data.files];
    const found = [];
    for (const entry of entries) { if (entry.isDirectory) { const own = []; await below(entry, own); found.push(...wantedOf(own)); } else await below(entry, found); }
    if (found.length >= MOST_FILES) throw new Error("This folder has " + MOST_FILES + " files or more; drop the recordings of one person alone.");
    if (!found.length) throw new Error("There is no file in this folder that could be a recording.");
    return found;
  }

  // files are copied one after the other; each shows how far it is
  async function bring(files) {
    if (!files.length) return;
    const list = $("arrived");
    if (!list) { warn("Open a study first, then drop its recordings."); return; }
    busy += 1; document.body.dataset.busy = "1";
    const failed = [];
    for (const file of files) {
      const line = document.createElement("li");
      list.append(line);
      try { const came = await send(file, (share) => { line.textContent = file.name + ": " + Math.round(100 * share) + " %"; }); const again = file.name + ": the same recording is there already, as " + came.name + "; it counts once"; line.textContent = came.twin ? (came.name === file.name ? file.name + ": is there already" : again) : file.name + ": " + (came.name === file.name ? "copied" : "copied as " + came.name); if (came.twin && came.name !== file.name) failed.push(again + "."); }
      catch (error) { line.textContent = error.message; failed.push(error.message); }
    }
    try { const answer = await post("/api/arrive", {}); show(answer); $("told").textContent = answer.told; if (/Left out:|Not kept:/.test(answer.told)) failed.push(answer.told); } catch (error) { failed.push(error.message); }
    finally { busy -= 1; if (!busy) document.body.dataset.busy = ""; }
    if (failed.length) refuse(new Error(failed.join(" ")));
  }
  function send(file, told) {
    return new Promise((done, failed) => {
      const request = new XMLHttpRequest();
      request.open("PUT", "/api/upload");
      request.setRequestHeader("X-Review-Token", token);
      request.setRequestHeader("X-Study", study);
      request.setRequestHeader("X-File-Name", encodeURIComponent(file.name.toWellFormed ? file.name.toWellFormed() : file.name));
      request.upload.addEventListener("progress", (e) => told(e.loaded / Math.max(e.total, 1)));
      request.addEventListener("error", () => failed(new Error(file.name + ": the copy was broken off; drop it again")));
      request.addEventListener("load", () => { let value = {}; try { value = JSON.parse(request.responseText); } catch { value = { error: file.name + ": no answer" }; } if (request.status === 200) done(value); else failed(new Error(value.error)); });
      request.send(file);
    });
  }
  addEventListener("dragover", (e) => { e.preventDefault(); document.body.classList.add("over-page"); });
  addEventListener("dragleave", (e) => { if (!e.relatedTarget) document.body.classList.remove("over-page"); });
  addEventListener("drop", (e) => { e.preventDefault(); document.body.classList.remove("over-page"); dropped(e.dataTransfer).then(bring).catch(refuse); });

  // the clenches of a recording: the level of each channel, with stretches that are taken or not
  const LEFT = 64, RIGHT = 8, TOP = 20, ROW = 130, FOOT = 22, NEAR = 6, STEP = 0.05;
  let view = null;
  function clenches() {
    const box = $("clench-view");
    if (!box) { view = null; return; }
    const text = $("clench-data").textContent;
    if (view && view.text === text) { draw(); return; }
    const found = JSON.parse(text);
    view = { text: text, found: found, marked: box.dataset.marked === "1", at: 0, edge: "a", held: "", list: found.clenches.map((c) => ({ n: c.number, a: c.start_s, b: c.stop_s, taken: c.taken, from: [c.start_s, c.stop_s] })) };
    draw();
  }
  const form = () => $("clench-form");
  const row = (c) => form().querySelector("tr[data-clench='" + c.n + "']");
  function chosen() {
    const taken = view.list.filter((c) => c.taken), far = (c) => Math.abs(c.a - c.from[0]) > 1e-6 || Math.abs(c.b - c.from[1]) > 1e-6;
    return { numbers: taken.map((c) => c.n).join(","), moved: taken.filter(far).map((c) => c.n + "=" + c.a.toFixed(3) + ":" + c.b.toFixed(3)).join(";") };
  }
  const parts = () => view.found.channels[0].parts;
  // the parts of the recording that have something to see stand side by side
  function scale() {
    const width = $("clench-trace").clientWidth - LEFT - RIGHT, gap = 14;
    const spans = parts().map((p) => p.low.length * p.step_s), all = spans.reduce((s, v) => s + v, 0) || 1;
    const each = (width - gap * (spans.length - 1)) / all;
    let x = LEFT;
    return parts().map((p, k) => { const s = { x: x, start: p.start_s, stop: p.start_s + spans[k], each: each }; x += spans[k] * each + gap; return s; });
  }
  function X(t) { const s = scale().find((p) => t >= p.start && t <= p.stop); return s ? s.x + (t - s.start) * s.each : null; }
  function T(x) { const s = scale().find((p) => x >= p.x - 7 && x <= p.x + (p.stop - p.start) * p.each + 7); return s ? Math.min(Math.max(s.start + (x - s.x) / s.each, s.start), s.stop) : null; }
  function draw() {
    const canvas = $("clench-trace");
    if (!view || !canvas) return;
    const c = PALETTES[matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light"], ratio = devicePixelRatio || 1;
    const channels = view.found.channels, width = canvas.clientWidth, tall = TOP + channels.length * ROW + FOOT;
    canvas.width = width * ratio; canvas.height = tall * ratio; canvas.style.height = tall + "px";
    const g = canvas.getContext("2d");
    g.setTransform(ratio, 0, 0, ratio, 0, 0); g.font = "12px system-ui, sans-serif";
    const floor = TOP + channels.length * ROW - 8, band = (a, b, draw_it) => { const x0 = X(a), x1 = X(b); if (x0 !== null && x1 !== null) draw_it(x0, Math.max(x1 - x0, 1)); };
    view.found.rests.forEach(([a, b]) => band(a, b, (x, w) => { g.fillStyle = c.outside; g.fillRect(x, TOP, w, floor - TOP); }));
    view.list.forEach((e, k) => band(e.a, e.b, (x, w) => {
      g.fillStyle = g.strokeStyle = c.accent;
      if (e.taken) { g.globalAlpha = 0.2; g.fillRect(x, TOP, w, floor - TOP); g.globalAlpha = 1; } else { g.setLineDash([4, 3]); g.strokeStyle = c.soft; g.strokeRect(x + 0.5, TOP + 0.5, w - 1, floor - TOP - 1); g.setLineDash([]); }
      if (k === view.at) [["a", x], ["b", x + w]].forEach(([name, at_x]) => { g.lineWidth = view.edge === name ? 3 : 1; g.strokeStyle = c.accent; g.beginPath(); g.moveTo(at_x, TOP); g.lineTo(at_x, floor); g.stroke(); g.lineWidth = 1; });
      g.fillStyle = c.ink; g.textAlign = "center"; g.fillText(String(e.n), x + w / 2, TOP - 6);
    }));
    channels.forEach((channel, k) => {
      const top = TOP + k * ROW, h = ROW - 26, most = Math.max(...channel.parts.flatMap((p) => p.high.filter((v) => v !== null)), channel.level_uv || 1, 1) * 1.05;
      const Y = (v) => top + 14 + (h - 14) * (1 - v / most);
      g.fillStyle = c.soft; g.textAlign = "right"; g.fillText(most.toFixed(0) + " µV", LEFT - 6, top + 22); g.fillText("0", LEFT - 6, Y(0) + 4);
      g.textAlign = "left"; g.fillText(channel.label, LEFT + 4, top + 12);
      const places = scale();
      channel.parts.forEach((p, m) => {
        g.strokeStyle = c.ink; g.lineWidth = 1; g.beginPath();
        let pen = false;
        p.low.forEach((v, i) => { if (v === null) { pen = false; return; } const x = places[m].x + (i + 0.5) * p.step_s * places[m].each; if (pen) g.lineTo(x, Y(v)); else g.moveTo(x, Y(v)); g.lineTo(x, Y(p.high[i])); pen = true; });
        g.stroke();
        if (channel.level_uv) { g.strokeStyle = c.limit; g.setLineDash([5, 3]); g.beginPath(); g.moveTo(places[m].x, Y(channel.level_uv)); g.lineTo(places[m].x + p.low.length * p.step_s * places[m].each, Y(channel.level_uv)); g.stroke(); g.setLineDash([]); }
      });
    });
    g.fillStyle = c.soft; g.textAlign = "left";
    scale().forEach((s) => { g.fillText(s.start.toFixed(0) + " s", s.x, floor + 18); });
    g.textAlign = "right"; g.fillText(scale().at(-1).stop.toFixed(0) + " s", width - RIGHT, floor + 18);
    view.list.forEach((e, k) => { row(e).classList.toggle("chosen", k === view.at); });
    canvas.dataset.taken = chosen().numbers; canvas.dataset.moved = chosen().moved; canvas.dataset.at = String(view.list[view.at] ? view.list[view.at].n : "");
  }
  function say() {
    const e = view.list[view.at], why = view.found.clenches[view.at].reason;
    $("told").textContent = "Clench " + e.n + ", " + e.a.toFixed(2) + " to " + e.b.toFixed(2) + " s, " + (e.taken ? "taken" : "not taken" + (why ? ": " + why : "")) + "; " + (view.edge === "a" ? "start" : "end") + " chosen.";
  }
  function put(e) {
    const r = row(e);
    r.querySelector("[data-take]").checked = e.taken;
    r.querySelector("[data-edge=a]").value = e.a.toFixed(3); r.querySelector("[data-edge=b]").value = e.b.toFixed(3);
    draw(); say();
  }
  function move(e, edge, t) {
    if (view.marked) return;
    e[edge] = edge === "a" ? Math.min(Math.max(t, 0), e.b - STEP) : Math.max(Math.min(t, view.found.duration_s), e.a + STEP);
    put(e);
  }
  document.addEventListener("input", (event) => {
    const e = event.target, n = Number(e.dataset.take || e.dataset.of);
    if (!view || !n) return;
    view.at = view.list.findIndex((c) => c.n === n);
    const c = view.list[view.at];
    if (e.dataset.take) c.taken = e.checked;
    else { view.edge = e.dataset.edge; const t = Number(e.value); if (Number.isFinite(t)) c[view.edge] = t; }
    draw(); say();
  });
  document.addEventListener("keydown", (event) => {
    if (!view || event.target.id !== "clench-trace" || event.ctrlKey || event.metaKey) return;
    const e = view.list[view.at], key = event.key;
    if (key === "n" || key === "p") view.at = Math.min(Math.max(view.at + (key === "n" ? 1 : -1), 0), view.list.length - 1);
    else if ((key === "a" || key === "r") && !view.marked) { e.taken = key === "a"; put(e); }
    else if (key === "[" || key === "]") view.edge = key === "[" ? "a" : "b";
    else if (key === "ArrowLeft" || key === "ArrowRight") move(e, view.edge, e[view.edge] + (key === "ArrowLeft" ? -STEP : STEP) * (event.shiftKey ? 10 : 1));
    else return;
    event.preventDefault(); draw(); say();
  });
  document.addEventListener("pointerdown", (event) => {
    if (!view || event.target.id !== "clench-trace") return;
    const x = event.offsetX, c = view.list[view.at], edges = c ? [["a", X(c.a)], ["b", X(c.b)]] : [];
    const edge = edges.find(([, at_x]) => at_x !== null && Math.abs(at_x - x) <= NEAR);
    if (edge && !view.marked) { view.held = view.edge = edge[0]; event.target.setPointerCapture(event.pointerId); draw(); return; }
    const t = T(x), k = t === null ? -1 : view.list.findIndex((e) => t >= e.a && t <= e.b);
    if (k >= 0) { view.at = k; draw(); say(); }
  });
  document.addEventListener("pointermove", (event) => { if (view && view.held && event.target.id === "clench-trace") { const t = T(event.offsetX); if (t !== null) move(view.list[view.at], view.held, Math.round(t / 0.01) * 0.01); } });
  document.addEventListener("pointerup", () => { if (view) view.held = ""; });
  addEventListener("resize", draw);

  async function enter(code) {
    const value = await post("/api/enter", { code: code });
    token = value.token;
    kept.set("token", token);
  }
  function atTheDoor(text) { page.hidden = true; $("door").hidden = false; warn(text); $("code").focus(); document.body.dataset.ready = "door"; }
  async function begin() {
    const pass = wanted().startsWith("pass=") ? wanted().slice(5) : "";
    if (pass) history.replaceState(null, "", location.pathname);
    token = kept.get("token");
    if (pass) try { await enter(pass); } catch (error) { if (error instanceof TypeError) { lost(error); return; } if (!token) { atTheDoor(error.message); return; } }
    if (!token) kept.set("token", token = await siblings.ask());
    if (!token) { atTheDoor(""); return; }
    warn("");
    await load();
    listen();
  }
  siblings.listen(() => (ended ? "" : token));
  begin().catch((error) => { if (token) lost(error); });
})();
