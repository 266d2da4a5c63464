// What is looked at: the window, the cursor, the ruler, the theme.

const whole = [0, Math.max(spec.duration, 0.001)];
/** @type {View} */
const view = { start: whole[0], end: whole[1], cursor: null, held: false, a: null, b: null, wall: false };
// Right of each plot the names of its limits stand, which never cover the traces.
const MARGIN = { l: 52, get r() { return width() < 500 ? 66 : width() < 900 ? 170 : 210; }, t: 6, b: 24 };
let printing = false;

function make(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name in element) element[name] = value;
    else element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

function svg(tag, attributes, ...children) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

/** @param {HTMLCanvasElement} canvas */
const canvas2d = (canvas) => /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));

// The colours of the theme in force, read once; forgotten when the theme changes.
const inks = new Map();
function style(name) {
  if (!inks.has(name)) inks.set(name, getComputedStyle(document.documentElement).getPropertyValue(name).trim());
  return inks.get(name);
}
const colour = (/** @type {number} */ number) => (number === 0 ? style("--line") : spec.palette[number]);

// A value with the digits its size deserves.
function number(value, unit) {
  if (value !== value) return "–";
  const size = Math.abs(value);
  const digits = unit === "V" && size < 10 ? 3 : size >= 1000 ? 0 : size >= 100 ? 1 : 2;
  return value.toFixed(digits).replace("-", "−");
}

const PAPER = 700; // px across a printed page
// Asking for a width makes the browser lay the page out; it is asked once, until it changes.
const sizes = { groups: 0, strip: 0 };
const width = () => (printing && PAPER) || (sizes.groups ||= byId("groups").clientWidth) || PAPER;
const plotPixels = () => Math.max(width() - MARGIN.l - MARGIN.r, 50);
const toPixel = (t) => ((t - view.start) / (view.end - view.start)) * plotPixels();
const toTime = (pixel) => view.start + (pixel / plotPixels()) * (view.end - view.start);

function setView(start, end) {
  const span = Math.min(Math.max(end - start, 0.005), whole[1] - whole[0]);
  const middle = (start + end) / 2;
  const from = Math.min(Math.max(middle - span / 2, whole[0]), whole[1] - span);
  Object.assign(view, { start: from, end: from + span });
  remember();
  showView();
}

// The views seen, for undo and redo; a drag counts once, when it rests or the hand begins anew.
const seen = { list: [[...whole]], at: 0, timer: 0 };

function remember() {
  clearTimeout(seen.timer);
  seen.timer = setTimeout(settle, 250);
}

function settle() {
  if (!seen.timer) return; // nothing has moved, and the address may name what is yet to be shown
  clearTimeout(seen.timer);
  seen.timer = 0;
  const [start, end] = seen.list[seen.at];
  if (start !== view.start || end !== view.end) {
    seen.list.splice(++seen.at, Infinity, [view.start, view.end]);
  }
  nameView();
}

function stepBack(by) {
  settle();
  const to = seen.list[seen.at + by];
  if (!to) return;
  seen.at += by;
  Object.assign(view, { start: to[0], end: to[1] });
  nameView();
  showView();
}

// The address names the view, so that a moment can be linked.
function nameView() {
  const all = view.start === whole[0] && view.end === whole[1];
  const name = all ? "" : `#t=${view.start.toFixed(3)},${view.end.toFixed(3)}`;
  if (location.hash !== name) history.replaceState(null, "", name || location.pathname + location.search);
  drawTools();
}

function zoomBy(factor, about) {
  const centre = about ?? (view.cursor ?? (view.start + view.end) / 2);
  setView(centre - (centre - view.start) * factor, centre + (view.end - centre) * factor);
}

const panBy = (share) => {
  const by = (view.end - view.start) * share;
  setView(view.start + by, view.end + by);
};
