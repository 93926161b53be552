// Keeps the screen current: takes the feed's messages, puts words in their places, tells ages, sends marks.
// It knows nothing of the visit; every word comes from the server. If this script dies, the style sheet's own
// clock shows NO READING after 3 s, because only a message restarts it (see "beat" in page.css).
"use strict";

(() => {
  const LOST_MS = 3000;
  const TICK_MS = 250;
  const POLL_MS = 1000;
  const REOPEN_MS = 2000;
  const ANSWER_MS = 5000;
  const REFUSAL_MS = 12000;
  const TRACE_FLUSH_MS = 1000;
  const TRACE_POINTS = 900;

  const read = (id) => JSON.parse(document.getElementById(id).textContent);
  const words = read("words");
  const start = read("start");
  const root = document.documentElement;
  const body = document.body;
  const page = [...crypto.getRandomValues(new Uint8Array(9))].map((n) => n.toString(36)).join("");

  const places = new Map();
  for (const place of document.querySelectorAll("[data-slot]")) {
    places.set(place.dataset.slot, [...(places.get(place.dataset.slot) || []), place]);
  }
  const owners = new Map();
  for (const owner of document.querySelectorAll("[data-slot-on]")) {
    owners.set(owner.dataset.slotOn, [...(owners.get(owner.dataset.slotOn) || []), owner]);
  }

  let rowId = start.id;
  let foot = start.foot;
  let ages = { ...start.a };
  let toldMs = start.t;
  let heardAt = clocks();
  let beats = 0;
  let stream = null;
  let reopening = 0;

  // ---- time ------------------------------------------------------------------------------------------------
  function clocks() {
    return { steady: performance.now(), wall: Date.now() };
  }

  // The larger of two clocks: one stops while a phone sleeps, the other may be set back.
  function quietMs() {
    const now = clocks();
    return Math.max(now.steady - heardAt.steady, now.wall - heardAt.wall, 0);
  }

  const visitMs = () => toldMs + quietMs();
  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, key) => values[key]);
  const clockWords = (ms) => new Date(ms).toLocaleTimeString("en-GB", { hour12: false });

  function agoWords(since, never) {
    if (since === null || since === undefined) return never;
    const s = Math.max(0, visitMs() - since) / 1000;
    if (s < 10) return fill(words.ago_s, { n: s.toFixed(1) });
    if (s < 120) return fill(words.ago_s, { n: Math.floor(s) });
    if (s < 7200) return fill(words.ago_min, { n: Math.floor(s / 60) });
    return fill(words.ago_h, { n: Math.floor(s / 3600) });
  }

  function leftWords(until) {
    const s = Math.ceil((until - visitMs()) / 1000);
    if (s <= 0) return words.left_over;
    const left =
      s < 120 ? fill(words.left_s, { n: s }) : fill(words.left_min, { m: Math.floor(s / 60), s: s % 60 });
    return fill(words.holds, { left });
  }

  function say(element, text) {
    if (element.textContent !== text) element.textContent = text;
  }

  function tick() {
    for (const element of document.querySelectorAll("[data-age]")) {
      const key = element.dataset.age;
      say(element, agoWords(ages[key], key.startsWith("from ") ? words.never_heard : words.never));
    }
    const until = ages.until;
    const over = until !== null && until !== undefined && visitMs() > until;
    for (const element of document.querySelectorAll("[data-until]")) {
      say(element, until === null || until === undefined ? "" : leftWords(until));
    }
    for (const owner of owners.get("hand") || []) owner.dataset.over = over ? "yes" : "no";
    if (!document.hidden && quietMs() > LOST_MS) setLink("lost");
    if (ended()) setLink("ended");
  }

  // ---- messages --------------------------------------------------------------------------------------------
  const ended = () => body.dataset.ended === "yes";

  function setLink(state) {
    if (body.dataset.link === state) return;
    body.dataset.link = state;
    const link = document.getElementById("link");
    say(link.lastElementChild, words.link[state]);
  }

  function beat(toldNow, how) {
    toldMs = toldNow;
    heardAt = clocks();
    beats += 1;
    body.dataset.beat = beats % 2 ? "b" : "a";
    for (const element of document.querySelectorAll("[data-last]")) {
      say(element, fill(words.last, { time: clockWords(toldMs) }));
    }
    setLink(how);
  }

  function put(name, value) {
    const at = name.indexOf("@");
    if (at >= 0) {
      for (const owner of owners.get(name.slice(0, at)) || []) owner.dataset[name.slice(at + 1)] = value;
      return;
    }
    for (const place of places.get(name) || []) {
      const key = place.contains(document.activeElement) ? document.activeElement.dataset.key : undefined;
      const open = [...place.querySelectorAll("details[open][data-keep]")].map((one) => one.dataset.keep);
      place.innerHTML = value;
      for (const one of place.querySelectorAll("details[data-keep]")) one.open = open.includes(one.dataset.keep);
      if (key !== undefined) place.querySelector(`[data-key="${CSS.escape(key)}"]`)?.focus({ preventScroll: true });
    }
  }

  function take(message, how) {
    const news = message.t !== toldMs || beats === 0;
    for (const [name, value] of Object.entries(message.s || {})) put(name, value);
    Object.assign(ages, message.a || {});
    for (const [series, points] of Object.entries(message.p || {})) keepPoints(series, points);
    rowId = message.id;
    const otherFoot = message.foot !== undefined && message.foot !== foot;
    if (message.foot !== undefined) foot = message.foot;
    if (otherFoot || message.whole || (message.s && message.s.marks !== undefined)) askTrace();
    if (news) beat(message.t, how);
    tick();
  }

  function open() {
    clearTimeout(reopening);
    if (stream) stream.close();
    stream = new EventSource(`feed?page=${page}&after=${encodeURIComponent(rowId)}`);
    stream.onmessage = (event) => take(JSON.parse(event.data), "live");
    stream.onerror = () => {
      // While the browser itself tries again nothing needs doing; when it gave up (refused), try later.
      if (stream && stream.readyState === EventSource.CLOSED) reopening = setTimeout(open, REOPEN_MS);
    };
  }

  function close() {
    clearTimeout(reopening);
    if (stream) stream.close();
    stream = null;
  }

  // Asks once a second whenever the stream has been quiet: covers a refused stream and a proxy that holds it back.
  let polling = false;
  async function poll() {
    if (document.hidden || polling || quietMs() < POLL_MS + TICK_MS) return;
    polling = true;
    try {
      const answer = await fetch(`now?after=${encodeURIComponent(rowId)}`, { signal: AbortSignal.timeout(ANSWER_MS) });
      if (answer.ok) for (const message of await answer.json()) take(message, "polling");
    } catch (error) {
      if (!(error instanceof TypeError || error instanceof DOMException)) throw error;
    } finally {
      polling = false;
    }
  }

  document.addEventListener("visibilitychange", () => {
    if (document.hidden) {
      close();
      setLink("lost"); // so that coming back never shows an old answer, not even for a moment
    } else {
      open();
    }
  });
  addEventListener("pagehide", close);
  addEventListener("pageshow", (event) => event.persisted && open());

  // ---- marks -----------------------------------------------------------------------------------------------
  const markId = () => `page-${page}-${Date.now().toString(36)}`;
  let refusalTimer = 0;

  function refuse(sentence) {
    const place = document.getElementById("refusal");
    place.textContent = sentence;
    clearTimeout(refusalTimer);
    refusalTimer = setTimeout(() => (place.textContent = ""), REFUSAL_MS);
    if (sentence) place.scrollIntoView({ block: "nearest" });
  }

  async function send(path, what, pressed) {
    if (pressed.getAttribute("aria-busy") === "true") return false;
    pressed.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch(path, {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify(what),
        signal: AbortSignal.timeout(ANSWER_MS),
      });
      refuse(answer.ok ? "" : (await answer.text()).trim());
      return answer.ok;
    } catch (error) {
      if (!(error instanceof TypeError || error instanceof DOMException)) throw error;
      refuse(words.refused_link);
      return false;
    } finally {
      pressed.removeAttribute("aria-busy");
    }
  }

  function fieldsOf(form) {
    const fields = {};
    for (const input of form.querySelectorAll("[data-type]")) {
      const { name, value } = input;
      if (input.dataset.type === "list") fields[name] = [...(fields[name] || []), ...(input.checked ? [value] : [])];
      else if (input.type === "radio") fields[name] = input.checked ? value : fields[name];
      else if (input.dataset.type === "number") fields[name] = numberIn(value);
    }
    return fields;
  }

  // An empty field is "not measured"; anything that is not a number is sent as it is and refused in words.
  function numberIn(text) {
    const plain = text.trim().replace(",", ".").replace("−", "-");
    if (plain === "") return null;
    return /^-?\d+(\.\d+)?$/.test(plain) ? Number(plain) : text;
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-mark]");
    if (button) send("mark", { ...JSON.parse(button.dataset.mark), id: markId() }, button);
  });

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    event.preventDefault();
    if (form.dataset.mark) {
      send("mark", { ...JSON.parse(form.dataset.mark), ...fieldsOf(form), id: markId() }, form);
    } else if (form.hasAttribute("data-typed")) {
      const { text, unit } = form.elements;
      if (await send("typed", { text: text.value, unit: unit.value }, form)) text.value = "";
      text.focus();
    }
  });

  // ---- light and dark --------------------------------------------------------------------------------------
  const themeButton = document.getElementById("theme");
  function showTheme() {
    const dark = root.dataset.theme === "dark";
    say(themeButton, dark ? words.light : words.dark);
    themeButton.setAttribute("aria-label", dark ? words.light_label : words.dark_label);
  }
  themeButton.addEventListener("click", () => {
    root.dataset.theme = root.dataset.theme === "dark" ? "light" : "dark";
    document.querySelector('meta[name="color-scheme"]').content = root.dataset.theme;
    document.cookie = `theme=${root.dataset.theme}; path=/; max-age=31536000; samesite=strict`;
    showTheme();
    askTrace();
  });

  // ---- the picture -----------------------------------------------------------------------------------------
  const SERIES = () => [`surface:${foot}`, "air", "dew"];
  let held = new Map();
  let turn = 0;
  let drawn = null;
  let newest = [];
  let axisEnd = 0;
  let asking = 0;

  function keepPoints(series, points) {
    held.set(series, [...(held.get(series) || []), ...points].slice(-TRACE_POINTS));
  }

  const canDraw = () =>
    window.Plotly && window.dash_clientside?.set_props && document.getElementById("trace-place");

  function askTrace(afterMs = TICK_MS) {
    clearTimeout(asking);
    if (!foot || !canDraw()) return;
    asking = setTimeout(() => {
      turn += 1;
      window.dash_clientside.set_props("trace-wanted", { data: { foot, theme: root.dataset.theme, turn } });
    }, afterMs);
  }

  // One point for each whole second after a moment, its mean, as the server thins the rest of the trace.
  // Points of the second that is still running are kept for later.
  function secondsOf(series, after) {
    const points = held.get(series) || [];
    const running = Math.floor(visitMs() / 1000);
    const seconds = new Map();
    for (const [at, value] of points) {
      const second = Math.floor(at / 1000);
      if (second <= Math.floor(after / 1000) || second >= running) continue;
      const one = seconds.get(second) || { at, sum: 0, count: 0 };
      seconds.set(second, { at: Math.max(at, one.at), sum: one.sum + value, count: one.count + 1 });
    }
    held.set(series, points.filter(([at]) => at >= running * 1000));
    return [...seconds.values()].map(({ at, sum, count }) => [at, sum / count]);
  }

  function flushTrace() {
    const graph = document.querySelector("#trace .js-plotly-plot");
    if (!graph?.layout?.meta || graph.layout.meta.foot !== foot) return;
    const meta = graph.layout.meta;
    if (graph !== drawn || graph.dataset.turn !== String(turn)) {
      drawn = graph;
      graph.dataset.turn = String(turn);
      axisEnd = meta.end_ms;
      newest = graph.data.map((trace) => trace.x[trace.x.length - 1] ?? -Infinity);
    }
    const update = { x: [], y: [] };
    const indices = [];
    SERIES().forEach((series, index) => {
      const fresh = secondsOf(series, newest[index] - meta.offset_ms);
      if (!fresh.length) return;
      const lifts = index === 2 ? [0, meta.margin_degC] : [0];
      lifts.forEach((lift, above) => {
        indices.push(index + above);
        update.x.push(fresh.map(([at]) => at + meta.offset_ms));
        update.y.push(fresh.map(([, value]) => value + lift));
      });
      newest[index] = fresh[fresh.length - 1][0] + meta.offset_ms;
    });
    if (indices.length) window.dash_clientside.set_props("trace", { extendData: [update, indices, TRACE_POINTS] });
    const end = visitMs() + meta.offset_ms;
    if (end > axisEnd - TRACE_FLUSH_MS) {
      axisEnd = end + meta.headroom_ms;
      window.Plotly.relayout(graph, { "xaxis.range": [end - meta.window_ms, axisEnd] });
    }
  }

  const loaded = new Set();
  let begun = false;

  function load(source, inOrder) {
    if (loaded.has(source)) return Promise.resolve();
    return new Promise((done, failed) => {
      const script = document.createElement("script");
      script.src = source;
      script.async = !inOrder;
      script.onload = () => done(loaded.add(source));
      script.onerror = failed;
      document.head.append(script);
    });
  }

  // Only after the words have been painted: the plotting library and Dash, side by side.
  async function loadCharts() {
    const waiting = document.getElementById("chart-scripts");
    const scripts = [...waiting.content.querySelectorAll("script")];
    const plot = load(waiting.dataset.plot, false);
    const mounts = document.getElementById("react-entry-point") !== null; // a screen may draw by itself
    const dash = mounts && Promise.all(scripts.filter((one) => one.src).map((one) => load(one.src, true)));
    try {
      await Promise.all([plot, dash && dash.then(() => begin(scripts))]);
    } catch {
      setTimeout(loadCharts, REOPEN_MS); // the server went away meanwhile
    }
  }

  // Dash mounts its empty places while the plotting library is still on its way.
  function begin(scripts) {
    if (begun) return;
    begun = true;
    for (const one of scripts.filter((script) => !script.src)) {
      const script = document.createElement("script");
      script.id = one.id;
      script.textContent = one.textContent;
      document.body.append(script);
    }
    const ready = setInterval(() => {
      if (!canDraw()) return;
      clearInterval(ready);
      askTrace(0);
    }, 50);
  }

  // ---- begin -----------------------------------------------------------------------------------------------
  showTheme();
  tick();
  open();
  setInterval(tick, TICK_MS);
  setInterval(poll, POLL_MS);
  setInterval(flushTrace, TRACE_FLUSH_MS);
  requestAnimationFrame(() => setTimeout(loadCharts, 0));
})();
