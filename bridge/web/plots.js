// Draws a take: heard tempo and what pedals were told, states, levels. Reads the page's JSON, asks nobody else.
"use strict";
(() => {
  const holder = document.querySelector(".plots");
  if (!holder) return;
  const { css, deckColour, fillState, flag, font, writeWithHalo } = paint;
  const take = JSON.parse(document.getElementById("take").textContent);
  const length = Math.max(take.length, 1);
  const SHORTEST = Math.min(1, length); // seconds: closest look
  const NEAR = 3; // seconds: a value further away than this from the cursor is not shown
  const STATES = ["following", "holding", "listening", "idle", "not heard"];
  const SURE = 50; // per cent of confidence
  const DASH = [2, 3];
  const PRINT_WIDTH = 660; // px: what fits on A4 and on Letter

  const fixed = (value, digits) => value.toFixed(digits).replace("-", "−");
  const printing = () => document.documentElement.classList.contains("printing");
  const width = () => (printing() ? PRINT_WIDTH : holder.clientWidth);
  const narrow = () => width() < 560;

  function clock(seconds, digits = 0) {
    const whole = Math.max(0, seconds);
    const hours = Math.floor(whole / 3600), minutes = Math.floor(whole / 60) % 60;
    const rest = (Math.floor(whole * 10 ** digits + 1e-6) / 10 ** digits) % 60;
    const second = rest.toFixed(digits).padStart(digits ? digits + 3 : 2, "0");
    return hours ? `${hours}:${String(minutes).padStart(2, "0")}:${second}` : `${minutes}:${second}`;
  }

  // --- values under the cursor: sparse columns, so each series looks for its own nearest or newest value
  function places(column) {
    const before = new Int32Array(column.length), after = new Int32Array(column.length);
    for (let i = 0, last = -1; i < column.length; i++) before[i] = last = column[i] == null ? last : i;
    for (let i = column.length - 1, next = -1; i >= 0; i--) after[i] = next = column[i] == null ? next : i;
    return { before, after };
  }

  function finder(columns, held) {
    const known = columns.map(places);
    return (u, series, index, at) => {
      if (series === 0) return index;
      const { before, after } = known[series];
      const x = columns[0];
      const left = before[index] ?? -1, right = after[index] ?? -1;
      if (held[series]) {
        if (left >= 0 && x[left] <= at) return left;
        const earlier = left > 0 ? before[left - 1] : -1;
        return earlier >= 0 ? earlier : null;
      }
      const near = [left, right].filter((i) => i >= 0 && Math.abs(x[i] - at) <= NEAR);
      return near.length ? near.reduce((a, b) => (Math.abs(x[a] - at) <= Math.abs(x[b] - at) ? a : b)) : null;
    };
  }

  // --- axes
  const TIME_STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800];
  const axisWidth = () => (narrow() ? 40 : 54);

  function timeAxis(shown) {
    return {
      stroke: () => css("--faint"),
      font: font(13 / devicePixelRatio),
      grid: { stroke: () => css("--rule"), width: 1 },
      ticks: { show: false },
      size: shown ? 30 : 6,
      space: 64,
      incrs: TIME_STEPS,
      values: (u, splits, axis, space, step) => splits.map((s) => (shown ? clock(s, step < 1 ? 1 : 0) : "")),
    };
  }

  function valueAxis() {
    return {
      stroke: () => css("--faint"),
      font: font(13 / devicePixelRatio),
      grid: { stroke: () => css("--rule"), width: 1 },
      ticks: { show: false },
      size: axisWidth,
      space: 30,
      values: (u, splits) => splits.map((s) => fixed(s, s % 1 ? 1 : 0)),
    };
  }

  // --- one window in time for all plots
  const plots = [];
  const output = document.querySelector(".window");
  let moving = false;

  function show(begin, end) {
    const part = Math.min(length, Math.max(SHORTEST, end - begin));
    const left = Math.min(Math.max(0, (begin + end - part) / 2), length - part);
    moving = true;
    for (const plot of plots) plot.setScale("x", { min: left, max: left + part });
    moving = false;
    const digits = part < 20 ? 1 : 0;
    output.textContent = `${clock(left, digits)} to ${clock(left + part, digits)}`;
  }

  const hooks = { setScale: [(u, key) => key === "x" && !moving && plots.length && follow(u)] };
  const follow = (u) => queueMicrotask(() => !moving && show(u.scales.x.min, u.scales.x.max));

  // A moment that was asked for: seen from close by, and heard if there is sound
  function goTo(seconds) {
    const part = Math.min(length, 60);
    show(seconds - part / 2, seconds + part / 2);
    playsAt(seconds, false);
    player.from(seconds);
  }

  function turn(what) {
    const { min, max } = plots[0].scales.x;
    const part = max - min;
    const moves = {
      closer: [min + part / 4, max - part / 4],
      wider: [min - part / 2, max + part / 2],
      earlier: [min - part / 4, max - part / 4],
      later: [min + part / 4, max + part / 4],
      whole: [0, length],
    };
    show(...moves[what]);
  }

  function options(height, extra) {
    const { hooks: own, ...rest } = extra.rest;
    const ready = [...(own.ready ?? []), (u) => listenTo(u)];
    const draw = [...(own.draw ?? []), drawPlayhead];
    return {
      width: width(),
      height,
      cursor: { sync: { key: "take", scales: ["x", null] }, drag: { x: true, y: false }, y: false, ...extra.cursor },
      scales: { x: { time: false, range: (u, min, max) => (min == null ? [0, length] : [min, max]) }, ...extra.scales },
      padding: [8, length < 3600 ? 20 : 30, 0, 0], // the last time of the axis stands half beyond it
      ...rest,
      hooks: { ...own, ready, draw },
    };
  }

  // --- sound: a click that is no drag plays from there, and a line shows where it plays
  function listenTo(u) {
    if (!player.any) return;
    let down = null;
    u.over.classList.add("heard");
    u.over.addEventListener("mousedown", (event) => (down = event.clientX));
    u.over.addEventListener("click", (event) => {
      if (down != null && Math.abs(event.clientX - down) < 4 && event.detail < 2) player.from(u.posToVal(event.offsetX, "x"));
      down = null;
    });
  }

  let playhead = null;

  function drawPlayhead(u) {
    if (playhead == null || printing()) return;
    clipped(u, (ctx, box, px) => {
      const x = Math.round(u.valToPos(playhead, "x", true));
      ctx.fillStyle = css("--lamp");
      ctx.fillRect(x - px, box.top, 2 * px, box.height);
      ctx.beginPath();
      ctx.arc(x, box.top + 4 * px, 4 * px, 0, 7);
      ctx.fill();
    });
  }

  let drawn = 0;

  function playsAt(seconds, playing) {
    playhead = seconds;
    const { min, max } = plots[0].scales.x;
    if (playing && seconds > max && max < length) return show(seconds, seconds + max - min);
    if (performance.now() - drawn < 150 && playing) return;
    drawn = performance.now();
    for (const plot of plots) plot.redraw(false, false);
  }

  // --- tempo
  function tempoRange(tables, u) {
    const { min: from, max: to } = u.scales.x;
    let low = Infinity, high = -Infinity;
    for (const { xs, ys, held } of tables) {
      for (let i = 0; i < xs.length; i++) {
        const until = held && i + 1 < xs.length ? xs[i + 1] : xs[i];
        if (ys[i] == null || until < from || xs[i] > to) continue;
        low = Math.min(low, ys[i]);
        high = Math.max(high, ys[i]);
      }
    }
    if (low > high) return [60, 120];
    const room = Math.max((high - low) * 0.08, 1.5);
    return [low - room, high + room];
  }

  // A line that is lifted at null, and where the bridge was not sure; undefined is another series' time, and passed over
  const unbroken = (sure) => (u, series, from, to) => ({ stroke: line(u, series, from, to, (i) => sure(u.data[0][i]) >= SURE), fill: null, clip: null, flags: 1 });

  function line(u, series, from, to, wanted) {
    const stroke = new Path2D();
    const xs = u.data[0], ys = u.data[series];
    let last = null, joined = false;
    for (let i = from; i <= to; i++) {
      if (ys[i] === undefined) continue;
      if (ys[i] === null) last = null;
      else {
        const x = u.valToPos(xs[i], "x", true), y = u.valToPos(ys[i], "y", true);
        if (last && wanted(i)) {
          if (!joined) stroke.moveTo(last[0], last[1]);
          stroke.lineTo(x, y);
        }
        joined = Boolean(last) && wanted(i);
        last = [x, y];
      }
    }
    return stroke;
  }

  function drawUnsure(u) {
    clipped(u, (ctx, box, px) => {
      ctx.lineWidth = 1.2 * px;
      ctx.setLineDash([px, 3 * px]);
      ctx.lineCap = "round";
      take.decks.forEach((deck, index) => {
        const [from, to] = u.series[0].idxs;
        ctx.strokeStyle = deckColour(index);
        ctx.stroke(line(u, index + 1, from, to, (i) => sureness[index](u.data[0][i]) < SURE));
      });
    });
  }

  const sureness = take.decks.map((deck) => {
    const known = new Map(deck.tempo[0].map((s, i) => [s, deck.tempo[2][i]]));
    return (seconds) => known.get(seconds) ?? 100;
  });

  function tempoPlot() {
    const heard = take.decks.map((deck) => ({ xs: deck.tempo[0], ys: deck.tempo[1], held: false }));
    const told = take.pedals.map((pedal) => ({ xs: pedal.told[0], ys: pedal.told[1], held: true }));
    const tables = [...heard, ...told];
    const columns = uPlot.join(tables.length ? tables.map(({ xs, ys }) => [xs, ys]) : [[[0], [null]]]);
    const clocks = take.pedals.map((pedal) => new Map(pedal.told[0].map((s, i) => [s, pedal.clocks[i]])));
    const series = [{ label: "Time", value: (u, v) => (v == null ? "–" : clock(v, 1)) }];
    take.decks.forEach((deck, index) => series.push({
      label: `${deck.name}, heard`,
      stroke: () => deckColour(index),
      width: 2.2,
      points: { show: false },
      paths: unbroken(sureness[index]),
      value: (u, v, s, i) => (v == null || i == null ? "–" : `${fixed(v, 1)} bpm, sure to ${sureness[index](u.data[0][i])} %`),
    }));
    take.pedals.forEach((pedal, index) => series.push({
      label: `${pedal.name}, told`,
      stroke: () => css("--ink"),
      width: 1.3,
      dash: (index + take.decks.length) % 2 ? DASH : [8, 4],
      points: { show: false },
      paths: uPlot.paths.stepped({ align: 1 }),
      value: (u, v, s, i) => (v == null || i == null ? "–" : `${fixed(v, 1)} bpm, clock ${fixed(clocks[index].get(u.data[0][i]) ?? v, 1)} bpm`),
    }));
    const held = [false, ...tables.map((table) => table.held)];
    return new uPlot(options(narrow() || printing() ? 260 : 360, {
      cursor: { dataIdx: finder(columns, held) },
      scales: { y: { range: (u) => tempoRange(tables, u) } },
      rest: {
        series,
        axes: [timeAxis(true), valueAxis()],
        hooks: { ...hooks, draw: [drawUnsure, drawEvents, drawNames] },
        legend: { markers: { dash: (u, i) => (i <= take.decks.length ? "solid" : (i - 1) % 2 ? "dotted" : "dashed") } },
      },
    }), columns, holder);
  }

  function clipped(u, draw) {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    draw(ctx, bbox, devicePixelRatio);
    ctx.restore();
  }

  // Deck changes and marks: a line each, its words along it where there is room; more of them would hide the curves,
  // and are short strokes until one looks closer
  const CROWD = 40;

  function drawEvents(u) {
    const events = [
      ...take.changes.map(([s, text]) => ({ s, text, mark: false })),
      ...take.marks.map(([s, text]) => ({ s, text, mark: true })),
    ].map((event) => ({ ...event, x: Math.round(u.valToPos(event.s, "x", true)) })).sort((a, b) => a.s - b.s);
    clipped(u, (ctx, box, px) => {
      const inSight = events.filter(({ x }) => x >= box.left && x <= box.left + box.width);
      const crowded = inSight.length > CROWD;
      for (const event of inSight) drawEvent(ctx, crowded ? { ...box, height: 14 * px } : box, px, event);
      const taken = [];
      for (const event of crowded ? [] : [...inSight].sort((a, b) => weight(b) - weight(a))) {
        const atTheEdge = event.x + 16 * px > box.left + box.width; // then its words stand before it
        const place = atTheEdge ? event.x - 16 * px : event.x;
        if (taken.some((other) => Math.abs(other - place) < 17 * px)) continue;
        taken.push(place);
        nameEvent(ctx, place, box.top, px, event);
      }
      for (const { x } of inSight.filter(({ mark }) => mark)) flag(ctx, x, box.top, css("--lamp"), px);
    });
  }

  // Where words would overlap, the hand's own mark comes first, then another tape or speed, then start and stop
  const weight = ({ text, mark }) => (mark ? 2 : /(started|stopped)$/.test(text) ? 0 : 1);

  function drawEvent(ctx, box, px, { x, mark }) {
    ctx.strokeStyle = css(mark ? "--lamp" : "--faint");
    ctx.lineWidth = px;
    ctx.setLineDash(mark ? [] : [5 * px, 4 * px]);
    ctx.beginPath();
    ctx.moveTo(x, box.top);
    ctx.lineTo(x, box.top + box.height);
    ctx.stroke();
  }

  function nameEvent(ctx, x, top, px, { text, mark }) {
    ctx.save();
    ctx.translate(x + 4 * px, top + (mark ? 14 : 4) * px);
    ctx.rotate(Math.PI / 2);
    ctx.font = font(12, "italic");
    ctx.textAlign = "left";
    ctx.textBaseline = "alphabetic";
    writeWithHalo(ctx, text, 0, 0, css(mark ? "--lamp" : "--faint"));
    ctx.restore();
  }

  // Each deck's name beside its first beats in sight, so that no line is told by its colour alone
  function drawNames(u) {
    clipped(u, (ctx, box, px) => {
      ctx.font = font(13, "italic");
      ctx.textAlign = "left";
      ctx.textBaseline = "bottom";
      take.decks.forEach((deck, index) => {
        const [xs, ys] = deck.tempo;
        const first = xs.findIndex((s, i) => s >= u.scales.x.min && ys[i] != null);
        if (first < 0 || xs[first] > u.scales.x.max) return;
        const x = Math.min(u.valToPos(xs[first], "x", true), box.left + box.width - ctx.measureText(deck.name).width);
        const y = Math.max(u.valToPos(ys[first], "y", true) - 8 * px, box.top + 16 * px);
        writeWithHalo(ctx, deck.name, x, y, deckColour(index));
      });
    });
  }

  // --- states: a row per deck, a pattern per state, its name inside where there is room
  const ROW = 44;

  function statesPlot() {
    return new uPlot(options(Math.max(1, take.decks.length) * ROW + 14, {
      cursor: { points: { show: false } },
      scales: { y: { range: [0, Math.max(1, take.decks.length)] } },
      rest: {
        series: [{}, { points: { show: false } }],
        axes: [timeAxis(false), { size: axisWidth, grid: { show: false }, ticks: { show: false }, values: () => [] }],
        hooks: { ...hooks, draw: [drawStates, drawFlags] },
        legend: { show: false },
      },
    }), [[0, length], [null, null]], holder);
  }

  function drawStates(u) {
    clipped(u, (ctx, box, px) => {
      const row = box.height / Math.max(1, take.decks.length);
      take.decks.forEach((deck, index) => {
        const top = box.top + index * row;
        ctx.font = font(13, "italic");
        ctx.textAlign = "left";
        ctx.textBaseline = "alphabetic";
        ctx.fillStyle = deckColour(index);
        ctx.fillText(deck.name, box.left, top + 14 * px);
        for (const [begin, end, state] of deck.states) {
          const left = Math.max(box.left, u.valToPos(begin, "x", true));
          const right = Math.min(box.left + box.width, u.valToPos(end, "x", true));
          if (right > left) fillState(ctx, left, top + 19 * px, right - left, row - 24 * px, state, deckColour(index), px);
        }
      });
    });
  }

  // On the time line a mark is a flag, and a change of the deck a notch in the deck's own row
  function drawFlags(u) {
    clipped(u, (ctx, box, px) => {
      const row = box.height / Math.max(1, take.decks.length);
      for (const [s, text] of take.changes) {
        const index = take.decks.findIndex((deck) => text.startsWith(`${deck.name}: `));
        if (index < 0) continue;
        const x = u.valToPos(s, "x", true), top = box.top + index * row + 14 * px;
        ctx.fillStyle = css("--ink");
        ctx.beginPath();
        ctx.moveTo(x - 4 * px, top);
        ctx.lineTo(x + 4 * px, top);
        ctx.lineTo(x, top + 6 * px);
        ctx.fill();
      }
      for (const [s] of take.marks) {
        const x = Math.round(u.valToPos(s, "x", true));
        ctx.fillStyle = css("--lamp");
        ctx.fillRect(x, box.top, px, box.height);
        flag(ctx, x, box.top, css("--lamp"), px);
      }
    });
  }

  function stateKey() {
    const list = Object.assign(document.createElement("ul"), { className: "key" });
    const words = { "not heard": "not heard: the listener was gone" };
    for (const state of STATES.filter((s) => take.decks.some((deck) => deck.states.some((part) => part[2] === s)))) {
      const item = document.createElement("li"), canvas = document.createElement("canvas");
      item.append(canvas, words[state] ?? state);
      list.append(item);
    }
    holder.append(list);
    return list;
  }

  function drawKey(list) {
    for (const canvas of list.querySelectorAll("canvas")) {
      canvas.width = 30 * devicePixelRatio;
      canvas.height = 12 * devicePixelRatio;
      const state = canvas.parentElement.textContent.split(":")[0];
      fillState(canvas.getContext("2d"), 0, 0, canvas.width, canvas.height, state, css("--ink"), devicePixelRatio, false);
    }
  }

  // --- levels
  function levelsPlot() {
    const columns = uPlot.join(take.decks.length ? take.decks.map((deck) => deck.levels) : [[[0], [null]]]);
    const series = [{ label: "Time", value: (u, v) => (v == null ? "–" : clock(v, 1)) }];
    take.decks.forEach((deck, index) => series.push({
      label: `${deck.name}, level`,
      stroke: () => deckColour(index),
      width: 1.5,
      dash: index % 2 ? [6, 3] : undefined,
      points: { show: false },
      value: (u, v) => (v == null ? "–" : `${fixed(v, 1)} dB`),
    }));
    return new uPlot(options(narrow() ? 110 : 130, {
      cursor: { dataIdx: finder(columns, columns.map(() => false)) },
      scales: { y: { range: [-72, 0] } },
      rest: { series, axes: [timeAxis(true), valueAxis()], hooks },
    }), columns, holder);
  }

  function title(text, onScreen = "") {
    const line = Object.assign(document.createElement("p"), { className: "title", textContent: text });
    line.append(Object.assign(document.createElement("span"), { className: "onscreen", textContent: onScreen }));
    holder.append(line);
  }

  // --- put together; again when the colours change, since a legend keeps those that it was made with
  let key;

  function build(begin, end) {
    for (const plot of plots.splice(0)) plot.destroy();
    holder.replaceChildren();
    title("Time line: what the bridge heard on each deck");
    plots.push(statesPlot());
    key = stateKey();
    title("Heard tempo and what each pedal was told, in bpm");
    plots.push(tempoPlot());
    title("Level, in dB relative to full scale", player.any ? ": click to hear it from there" : "");
    plots.push(levelsPlot());
    drawKey(key);
    show(begin, end);
  }

  function rebuild() {
    const { min, max } = plots[0].scales.x;
    build(min, max);
  }

  player.setUp(take.sound, clock, playsAt);
  build(0, length);

  document.querySelector(".tools").addEventListener("click", (event) => {
    if (event.target.dataset.do) turn(event.target.dataset.do);
  });
  holder.addEventListener("keydown", (event) => {
    if (event.key === " " && player.any) {
      player.toggle();
      return event.preventDefault();
    }
    const keys = { "+": "closer", "=": "closer", "-": "wider", "−": "wider", ArrowLeft: "earlier", ArrowRight: "later", 0: "whole", Home: "whole" };
    if (!(event.key in keys) || event.ctrlKey || event.metaKey || event.altKey) return;
    turn(keys[event.key]);
    event.preventDefault();
  });
  holder.addEventListener("dblclick", () => show(0, length));
  document.querySelector("main").addEventListener("click", (event) => {
    const at = event.target.closest("[data-at]")?.dataset.at;
    if (at != null) goTo(Number(at)); // the link itself scrolls to the plots
  });

  new ResizeObserver(() => {
    if (!printing()) for (const plot of plots) plot.setSize({ width: width(), height: plot.height });
  }).observe(holder);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", rebuild);
  addEventListener("beforeprint", () => {
    document.documentElement.classList.add("printing"); // paper is light, whatever the screen is
    for (const details of document.querySelectorAll("details")) details.open = true;
    build(0, length);
  });
  addEventListener("afterprint", () => {
    document.documentElement.classList.remove("printing");
    rebuild();
  });
})();
