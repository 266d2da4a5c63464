// Panels: one plot with one vertical axis each, its legend, its limits.

/** @type {PagePanel[]} */
const panels = [];
// Palette numbers of the cross-lines; a setting of a controller is grey.
const KINDS = { limit: 6, stop: 6, burst: 1, alarm: 1, full: 1 };

function buildGroups() {
  const host = byId("groups");
  for (const group of spec.groups) {
    const box = make("details", { open: true, className: "group", id: "group-" + group.id },
      make("summary", { textContent: group.title }));
    group.panels.forEach((panel, n) => box.append(buildPanel({ ...panel, last: n + 1 === group.panels.length, alone: group.panels.length === 1 }, box)));
    box.addEventListener("toggle", () => box.open && redraw());
    host.append(box);
  }
}

/** @param {PanelData & { last: boolean, alone: boolean }} panelSpec @param {HTMLDetailsElement} box */
function buildPanel(panelSpec, box) {
  const plot = make("div", { className: "plot" });
  const labels = make("div", { className: "labels" });
  const cursor = make("div", { className: "cursor", hidden: true });
  const band = make("div", { className: "band", hidden: true });
  const touch = make("div", { className: "touch" }, band, cursor);
  const area = make("div", { className: "area" }, plot, labels, touch);
  const lines = panelSpec.lines.map((line) => ({ ...line, column: columns[line.column], number: line.column }));
  touch.style.bottom = bottomOf(panelSpec) + "px";
  /** @type {PagePanel} */
  const panel = { ...panelSpec, lines, box, plot, labels, cursor, band, touch, strong: null, dirty: true, shown: [], range: null, height: 0, drawn: [] };
  const chips = make("div", { className: "chips" }, ...lines.map((line) => chip(panel, line)));
  panels.push(panel);
  const parts = [make("div", { className: "unit", textContent: panelTitle(panel) }), area];
  if (lines.length > 1) parts.push(chips); // of one line the title tells all
  if (panel.limits.length) parts.push(limitList(panel));
  return make("div", { className: "panel" }, ...parts);
}

// Several quantities are named by their lines; the unit is what they share.
/** @param {PagePanel} panel */
function panelTitle({ title, unit, alike, alone }) {
  if (alone && unit) return unit; // the group's title says what
  return alike || !unit ? title + (unit ? ` (${unit})` : "") : unit;
}

// A legend entry: a button that hides the line, and brings it out while it is pointed at.
/** @param {PagePanel} panel @param {PageLine} line */
function chip(panel, line) {
  const button = make("button", { type: "button", className: "chip", title: line.column.how || line.column.key },
    swatch(line), make("span", { textContent: line.digit ? line.label.replace(/^cell /, "") : line.label }));
  button.setAttribute("aria-pressed", String(line.shown));
  button.setAttribute("aria-label", line.label);
  button.addEventListener("click", () => {
    line.shown = !line.shown;
    button.setAttribute("aria-pressed", String(line.shown));
    drawPanel(panel);
  });
  const bring = (strong) => () => {
    panel.strong = strong;
    drawPanel(panel);
  };
  if (panel.lines.length > 3) {
    button.addEventListener("pointerenter", (event) => event.pointerType === "mouse" && bring(line)());
    button.addEventListener("pointerleave", (event) => event.pointerType === "mouse" && bring(null)());
  }
  return button;
}

const DASH = { solid: "", dash: "6 4", dot: "2 3", dashdot: "7 3 2 3", longdash: "10 6" };

/** @param {PageLine} line */
function swatch(line) {
  const stroke = `var(--c${line.colour})`;
  const picture = svg("svg", { width: 34, height: 12, viewBox: "0 0 34 12", "aria-hidden": "true" },
    svg("line", { x1: 1, x2: 33, y1: 6, y2: 6, style: `stroke:${stroke}`, "stroke-width": Math.max(line.width, 1.5),
      "stroke-dasharray": DASH[line.dash] }));
  if (!line.digit) picture.append(svg("path", { d: mark(line.symbol), transform: "translate(17 6)", style: `fill:${stroke}` }));
  return picture;
}

function mark(symbol) {
  const shapes = {
    circle: "M-3.5 0A3.5 3.5 0 1 0 3.5 0A3.5 3.5 0 1 0-3.5 0Z", "triangle-up": "M0-4.5L4.5 3.5H-4.5Z",
    square: "M-3.2-3.2H3.2V3.2H-3.2Z", diamond: "M0-4.5L4.5 0L0 4.5L-4.5 0Z",
    cross: "M-1-4H1V-1H4V1H1V4H-1V1H-4V-1H-1Z", x: "M-4-2.6L-2.6-4L0-1.4L2.6-4L4-2.6L1.4 0L4 2.6L2.6 4L0 1.4L-2.6 4L-4 2.6L-1.4 0Z",
    star: "M0-5L1.3-1.5H5L2 .7L3 4.5L0 2.2L-3 4.5L-2 .7L-5-1.5H-1.3Z", hexagon: "M-2.2-4H2.2L4.4 0L2.2 4H-2.2L-4.4 0Z",
  };
  return shapes[symbol];
}

/** @param {PagePanel} panel */
function limitList(panel) {
  const items = panel.limits.map((limit) => make("li", {},
    make("b", { textContent: `${limit.above ? "above" : "below"} ${limitText(limit, panel)}` }), " – ", limit.reason));
  return make("details", { className: "limits" },
    make("summary", { textContent: `${items.length} limit${items.length > 1 ? "s" : ""}`, title: "and their reasons" }), make("ul", {}, ...items));
}

/** @param {LimitData} limit @param {PagePanel} panel */
const limitText = (limit, panel) => `${Number(limit.level.toPrecision(4))} ${panel.unit}`.replace("-", "−");

/** @param {PagePanel} panel */
function drawPanel(panel) {
  panel.dirty = false;
  if (!panel.box.open) return;
  const pixels = plotPixels();
  const drawn = [];
  let low = Infinity, high = -Infinity;
  panel.lines.forEach((line, order) => {
    if (!line.shown) return;
    const points = pointsOf(line.column, view.start, view.end, pixels);
    const y = line.factor === 1 ? points.y : points.y.map((v) => v * line.factor);
    for (let i = 0; i < y.length; i++) {
      if (points.x[i] < view.start || points.x[i] > view.end) continue;
      if (y[i] < low) low = y[i];
      if (y[i] > high) high = y[i];
    }
    const faint = panel.strong && panel.strong !== line;
    drawn.push({ key: line.column.key, x: points.x, y, stroke: colour(line.colour), dash: line.dash, opacity: faint ? 0.15 : 1,
      thick: panel.strong === line ? 3 : line.width, symbol: line.symbol, text: line.digit,
      at: signs(line, order, panel.lines.length, points.x, y) });
  });
  if (low > high) [low, high] = [0, 1];
  const { range, shown } = axis(low, high, panel.limits);
  const ticks = timeTicks(view.start, view.end, pixels, view.wall);
  const height = panelHeight(panel);
  const margin = { l: MARGIN.l, r: MARGIN.r, t: MARGIN.t, b: bottomOf(panel) };
  panel.plot.replaceChildren(drawing({
    width: width(), height, margin, lines: drawn, ...shapes(panel, shown, range),
    x: { range: [view.start, view.end], values: ticks.values, texts: panel.last ? ticks.texts : null },
    y: { range, most: Math.max(3, Math.round(height / 38)) },
  }));
  Object.assign(panel, { range, height, shown, drawn });
  placeLabels(panel);
  moveOverlays(panel);
}

// Panels of a group share one row of times, below the last.
const bottomOf = (panel) => (panel.last ? MARGIN.b : 8);
const TALL = { screen: [156, 216], paper: [132, 180] };
const panelHeight = (panel) => (width() < 500 ? 146 :
  TALL[printing ? "paper" : "screen"][Number(panel.unit === "V" || panel.lines.length > 3)]) + bottomOf(panel);

// Where along each line a few symbols stand, staggered, so that lines differ without colour; a cell's
// number once.  Single samples between two gaps, which no line can show, get the symbol too.
/** @param {PageLine} line @param {number} order @param {number} lines */
function signs(line, order, lines, x, y) {
  const count = line.digit ? 1 : width() < 500 ? 3 : 6;
  const at = new Set();
  for (let k = 0; k < count; k++) {
    const t = view.start + ((view.end - view.start) * (k + (order + 0.5) / lines)) / count;
    const i = Math.min(search(x, t), x.length - 1);
    if (i >= 0 && x[i] >= view.start && x[i] <= view.end) at.add(i);
  }
  for (let i = 0; i < y.length; i++) {
    const alone = y[i] === y[i] && !(y[i - 1] === y[i - 1]) && !(y[i + 1] === y[i + 1]);
    if (alone) at.add(i);
  }
  return [...at];
}

// The vertical range: the data, plus each limit that lies near enough not to flatten them.
/** @param {number} low @param {number} high @param {LimitData[]} limits */
function axis(low, high, limits) {
  const span = Math.max(high - low, Math.abs(high) * 0.02, 1e-6);
  const shown = limits.filter((limit) => limit.near && limit.level > low - span * 0.3 && limit.level < high + span * 0.3);
  for (const limit of shown) {
    low = Math.min(low, limit.level);
    high = Math.max(high, limit.level);
  }
  const room = Math.max((high - low) * 0.06, span * 0.05);
  return { range: /** @type {[number, number]} */ ([low - room, high + room]), shown };
}

// The first rating or stop voltage that is met going up, or going down.
/** @param {LimitData[]} limits @param {boolean} above */
function nearest(limits, above) {
  const met = limits.filter((limit) => limit.above === above && (limit.kind === "limit" || limit.kind === "stop"));
  /** @type {LimitData | null} */
  let best = null;
  for (const limit of met) if (!best || (limit.level < best.level) === above) best = limit;
  return best;
}

// What lies under the lines (gaps, crossings, beyond a limit, events) and over them (limits).
function shapes(panel, shown, [bottom, top]) {
  const under = [], over = [];
  for (const { start, end } of spec.gaps) under.push({ from: start, to: end, fill: style("--muted"), opacity: 0.25 });
  // A crossing too short to see still gets a pixel and a half.
  const least = ((view.end - view.start) / plotPixels()) * 1.5;
  for (const [start, end] of panel.spans) {
    if (end < view.start || start > view.end) continue;
    under.push({ from: start, to: Math.max(end, start + least), fill: spec.palette[6], opacity: 0.16 });
  }
  for (const limit of shown) {
    const paint = limit.kind in KINDS ? spec.palette[KINDS[limit.kind]] : style("--muted");
    over.push({ level: limit.level, stroke: paint, thick: 1.5, dash: limit.kind === "setting" ? "dot" : "longdash" });
    if (panel.alike && limit === nearest(shown, limit.above)) {
      under.push({ level: limit.level, other: limit.above ? top : bottom, fill: paint, opacity: 0.08 });
    }
  }
  for (const { t } of spec.events) {
    if (t >= view.start && t <= view.end) under.push({ from: t, stroke: style("--muted"), thick: 1, dash: "dot" });
  }
  return { under, over };
}

/** @param {PagePanel} panel @param {number} value */
function toLevel(panel, value) {
  const [bottom, top] = panel.range || [0, 1];
  return ((top - value) / (top - bottom)) * (panel.height - MARGIN.t - bottomOf(panel));
}

const LABEL = 15; // px of height that a limit's name needs

// The limits' names stand in a column beside the plot, in order of level, each joined to its line
// by a leader; where there is no room for all, neighbours share a row.
/** @param {PagePanel} panel */
function placeLabels(panel) {
  /** @type {LabelRow[]} */
  const rows = [];
  for (const limit of [...panel.shown].sort((one, other) => other.level - one.level)) {
    const last = rows.at(-1);
    if (last?.limits[0].level === limit.level) last.limits.push(limit);
    else rows.push({ y: toLevel(panel, limit.level) + MARGIN.t, limits: [limit] });
  }
  const most = Math.max(Math.floor((panel.height - MARGIN.t) / LABEL), 1);
  while (rows.length > most) shareRow(rows);
  const tops = spread(rows.map(({ y }) => y - LABEL / 2), panel.height - LABEL);
  const leaders = svg("svg", { width: 14, height: panel.height, "aria-hidden": "true" });
  const names = rows.map(({ y, limits }, n) => {
    leaders.append(svg("path", { d: `M0 ${y}L13 ${tops[n] + LABEL / 2}` }));
    const more = limits.length > 1 ? ` +${limits.length - 1}` : "";
    // A limit both ways is named once, where it stands above.
    const named = rows.slice(0, n).some((row) => row.limits[0].short === limits[0].short && row.limits[0].level === -limits[0].level);
    const name = make("span", { title: limits.map((limit) => limit.reason).join("\n") },
      limitText(limits[0], panel), make("span", { className: "words", textContent: named ? "" : ` ${limits[0].short}${more}` }));
    name.style.top = tops[n] + "px";
    return name;
  });
  panel.labels.replaceChildren(leaders, ...names);
}

// Make one row of the two neighbours that lie closest.
/** @param {LabelRow[]} rows */
function shareRow(rows) {
  let at = 0;
  for (let n = 1; n + 1 < rows.length; n++) {
    if (rows[n + 1].y - rows[n].y < rows[at + 1].y - rows[at].y) at = n;
  }
  rows.splice(at, 2, { y: rows[at].y, limits: [...rows[at].limits, ...rows[at + 1].limits] });
}

// Tops of rows that would like to stand at the given heights (in ascending order), moved as little
// as a pass down and a pass up need so that none covers another.
/** @param {number[]} wanted @param {number} last */
function spread(wanted, last) {
  /** @type {number[]} */
  const tops = [];
  wanted.forEach((top, n) => tops.push(Math.max(top, n ? tops[n - 1] + LABEL : 0)));
  for (let n = tops.length - 1, bound = last; n >= 0; n--, bound -= LABEL) {
    bound = Math.min(bound, tops[n]);
    tops[n] = bound;
  }
  return tops;
}

// The limits within a finger's width of a pointer at height y.
const limitsNear = (/** @type {PagePanel} */ panel, /** @type {number} */ y) => panel.shown.filter((limit) => Math.abs(toLevel(panel, limit.level) - y) < 7);

/** @param {PagePanel} panel */
function moveOverlays(panel) {
  const now = view.cursor;
  const seen = now !== null && now >= view.start && now <= view.end;
  panel.cursor.hidden = !seen;
  if (seen) panel.cursor.style.transform = `translateX(${toPixel(now)}px)`;
  const marks = dragging?.from !== undefined && dragging.to !== undefined ? [dragging.from, dragging.to] : [view.a, view.b];
  const [from, to] = marks.map((t) => (t === null ? null : Math.min(Math.max(t, view.start), view.end)));
  panel.band.hidden = from === null || to === null;
  if (from === null || to === null) return;
  panel.band.style.left = toPixel(Math.min(from, to)) + "px";
  panel.band.style.width = Math.max(Math.abs(toPixel(to) - toPixel(from)), 1) + "px";
}

// Every channel's value at the cursor, in one place that nothing on the page moves for.
function buildReadout() {
  const rows = make("dl");
  for (const panel of panels) {
    for (const line of panel.lines) {
      line.value = make("dd", { className: "value" });
      rows.append(make("div", {}, swatch(line), make("dt", { textContent: line.label.replace("temperature", "temp."), title: line.label }), line.value));
    }
  }
  const close = make("button", { type: "button", textContent: "×", title: "let the cursor go", "aria-label": "Let the cursor go" });
  close.addEventListener("click", () => setCursor(null, false));
  byId("readout").append(make("p", {}, make("span", { id: "readout-time" }), close), rows);
}

function readOut() {
  const box = byId("readout");
  box.classList.toggle("held", view.cursor !== null);
  byId("readout-time").textContent = view.cursor === null ? "Rest the pointer on a plot" : `At ${timeText(view.cursor, 3, view.wall)}`;
  for (const panel of panels) {
    moveOverlays(panel);
    for (const line of panel.lines) {
      const value = view.cursor === null ? NaN : valueAt(line.column, view.cursor) * line.factor;
      if (line.value) line.value.textContent = view.cursor === null ? "" : `${number(value, panel.unit)} ${panel.unit}`;
    }
  }
}
