// The page's life: build, draw the reduced view, unpack every sample, answer the rider.

/** @type {Drag | null} */
let dragging = null; // a drag or pinch in progress
const fingers = new Map();
let waiting = 0;
let besides = true; // whether what stands beside the plots is out of date

// All anew: the width, the theme or the clock is another.
function redraw() {
  byId("groups").style.setProperty("--right", MARGIN.r + "px");
  drawStrip();
  showView();
}

// What follows the window shown.
function showView() {
  for (const panel of panels) panel.dirty = true;
  besides = true;
  document.body.dataset.busy = "1";
  cancelAnimationFrame(waiting);
  waiting = requestAnimationFrame(drawDue);
  drawWindow();
  drawTools();
}

// ms of a frame for panels out of sight: the page stays lively, and is not laid out anew for each.
const SPELL = 10;

// Panels in sight first and at once, then of the others as many as a frame has time for.
function drawDue() {
  const inSight = ({ plot }) => {
    const box = plot.parentElement.getBoundingClientRect();
    return box.bottom > 0 && box.top < innerHeight;
  };
  const due = panels.filter((panel) => panel.dirty && panel.box.open);
  const visible = due.filter(inSight);
  const until = performance.now() + SPELL;
  for (const panel of visible.length ? visible : due) {
    drawPanel(panel);
    if (!visible.length && performance.now() > until) break;
  }
  if (besides) {
    besides = false;
    drawLane();
    drawCourse();
  }
  if (panels.some((panel) => panel.dirty && panel.box.open)) {
    waiting = requestAnimationFrame(drawDue);
  } else {
    document.body.dataset.busy = "";
    readOut();
  }
}

/** @param {number | null} t */
function setCursor(t, held = view.held) {
  view.cursor = t === null ? null : Math.min(Math.max(t, whole[0]), whole[1]);
  view.held = held;
  requestAnimationFrame(() => {
    readOut();
    placeHere();
    drawWindow();
    drawTools();
  });
}

function setRuler(changes) {
  Object.assign(view, changes);
  drawRuler();
  panels.forEach(moveOverlays);
}

const actions = [
  ["whole", document.body.classList.contains("shared") ? "Whole window" : "Whole ride", "0", () => setView(...whole)],
  ["in", "Zoom in", "+", () => zoomBy(0.5)],
  ["out", "Zoom out", "−", () => zoomBy(2)],
  ["left", "Earlier", "⇧←", () => panBy(-0.25)],
  ["right", "Later", "⇧→", () => panBy(0.25)],
  ["undo", "Undo", "u", () => stepBack(-1)],
  ["redo", "Redo", "r", () => stepBack(1)],
  ["a", "Ruler A", "a", () => setRuler({ a: view.cursor ?? view.start })],
  ["b", "Ruler B", "b", () => setRuler({ b: view.cursor ?? view.end })],
  ["clear", "Clear ruler", "c", () => setRuler({ a: null, b: null })],
  ["clock", "Wall clock", "w", () => {
    view.wall = spec.wall !== null && !view.wall;
    redraw();
    drawRuler();
  }],
  ["link", "Copy link", "l", async () => {
    nameView();
    say((await copied(location.href)) ? "The link to this view is copied." : `Copy this address: ${location.href}`);
  }],
  ["csv", "Save as CSV", "s", () => {
    if (document.body.dataset.state !== "full") return say("The samples are not unpacked yet.");
    const { from, to, name } = viewName();
    saveFile(`${name} ${from} to ${to} s.csv`, csv("time [s]", view.start, view.end));
    return say("Every sample of this view is saved.");
  }],
  ["picture", "Save picture", "p", async () => {
    const { from, to, name } = viewName();
    say((await savePicture(`${name} ${from} to ${to} s.png`)) ? "The plots that are open are saved as one picture." :
      "This browser could not make a picture; print the page instead.");
  }],
];

const viewName = () => ({ from: view.start.toFixed(1), to: view.end.toFixed(1), name: document.title.split(" – ")[0] });
const say = (text) => { byId("status").textContent = text; };

function buildTools() {
  const tools = byId("tools");
  for (const [id, text, key, run] of actions) {
    if (id === "clock" && spec.wall === null) continue;
    const button = make("button", { type: "button", id: "do-" + id, textContent: text, title: `key ${key}` });
    button.addEventListener("click", run);
    tools.append(button);
  }
  tools.append(make("output", { id: "now" }));
}

function drawTools() {
  /** @type {HTMLButtonElement} */ (byId("do-undo")).disabled = seen.at === 0;
  /** @type {HTMLButtonElement} */ (byId("do-redo")).disabled = seen.at + 1 === seen.list.length;
  document.getElementById("do-clock")?.setAttribute("aria-pressed", String(view.wall));
  byId("now").textContent = view.cursor === null
    ? `${timeText(view.start, 1, view.wall)} to ${timeText(view.end, 1, view.wall)}`
    : `cursor ${timeText(view.cursor, 3, view.wall)}`;
}

const elementOf = (/** @type {Event} */ event) => (event.target instanceof Element ? event.target : null);
const folds = (/** @type {string} */ selector) =>
  /** @type {NodeListOf<HTMLDetailsElement>} */ (document.querySelectorAll(selector));

function listen() {
  for (const panel of panels) {
    const { touch } = panel;
    const timeOf = (event) => toTime(event.clientX - touch.getBoundingClientRect().left);
    touch.addEventListener("pointerdown", (event) => press(event, touch, timeOf(event)));
    touch.addEventListener("pointermove", (event) => move(event, panel, timeOf(event)));
    touch.addEventListener("pointerup", (event) => release(event, timeOf(event)));
    touch.addEventListener("pointercancel", () => drop());
    touch.addEventListener("pointerleave", () => {
      tell();
      if (!view.held && !dragging) setCursor(null);
    });
    touch.addEventListener("dblclick", () => setView(...whole));
    touch.addEventListener("wheel", (event) => {
      if (!event.ctrlKey) return;
      event.preventDefault();
      zoomBy(Math.exp(event.deltaY / 300), timeOf(event));
    }, { passive: false });
  }
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (elementOf(event)?.closest("select, textarea, input")) return; // they have their own keys
    const keys = {
      "+": "in", "=": "in", "-": "out", "0": "whole", Escape: "whole", a: "a", b: "b", c: "clear", w: "clock",
      u: "undo", r: "redo", l: "link", s: "csv", p: "picture",
    };
    const nudge = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (nudge && event.shiftKey) panBy(nudge / 4);
    else if (nudge) setCursor((view.cursor ?? (view.start + view.end) / 2) + (nudge * (view.end - view.start)) / 200, true);
    else if (keys[event.key]) document.getElementById("do-" + keys[event.key])?.click();
    else return;
    event.preventDefault();
  });
  // What the hand begins anew is a step of its own to undo, however soon; a key held down is not.
  document.addEventListener("pointerdown", settle, true);
  document.addEventListener("keydown", (event) => { if (!event.repeat) settle(); }, true);
  addEventListener("hashchange", followLink);
  // The same link works as often as it is followed, which the address alone would not tell.
  document.addEventListener("click", (event) => {
    const link = elementOf(event)?.closest('a[href^="#t="]');
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    showStretch(link.getAttribute("href") || "");
  });
  // What a card opens is brought into sight.
  for (const why of folds(".card > details")) {
    why.addEventListener("toggle", () => {
      const card = why.parentElement;
      if (card && why.open && card.getBoundingClientRect().bottom > innerHeight) card.scrollIntoView();
    });
  }
  new ResizeObserver(() => {
    sizes.groups = 0;
    redraw();
  }).observe(byId("groups"));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    inks.clear();
    redraw();
  });
  addEventListener("beforeprint", () => setPrinting(true));
  addEventListener("afterprint", () => setPrinting(false));
}

// Links such as #t=12.5,20 show a stretch of the ride.
const followLink = () => showStretch(location.hash);

function showStretch(name) {
  const found = /^#t=([\d.]+),([\d.]+)$/.exec(name);
  if (!found) return;
  setView(Number(found[1]), Number(found[2]));
  setCursor((view.start + view.end) / 2, true);
  byId("traces").scrollIntoView();
}

const NEAR = 10; // s shown on either side of a moment

// A moment with every channel's value at it: in the plots, in the read-out and on the course.
function showMoment(t) {
  setView(t - NEAR, t + NEAR);
  setCursor(t, true);
  byId("traces").scrollIntoView();
}

function press(event, touch, t) {
  if (event.button) return;
  event.preventDefault();
  if (document.activeElement instanceof HTMLElement) document.activeElement.blur();
  fingers.set(event.pointerId, t);
  touch.setPointerCapture(event.pointerId);
  if (fingers.size === 2) {
    dragging = { pinch: [...fingers.values()] };
  } else if (event.pointerType === "mouse") {
    dragging = { x: event.clientX, from: Math.min(Math.max(t, view.start), view.end), ruler: event.shiftKey };
  } else {
    setCursor(t, true);
  }
}

function move(event, panel, t) {
  const touched = dragging?.pinch;
  if (touched && fingers.has(event.pointerId)) {
    fingers.set(event.pointerId, t);
    pinch(touched, [...fingers.values()]);
    [...fingers.keys()].forEach((id, n) => fingers.set(id, touched[n]));
    return;
  }
  if (dragging?.x !== undefined && Math.abs(event.clientX - dragging.x) > 3) {
    dragging.to = Math.min(Math.max(t, view.start), view.end);
    panels.forEach(moveOverlays);
  }
  if (!view.held || dragging || event.pointerType !== "mouse") setCursor(t);
  const near = limitsNear(panel, event.clientY - panel.touch.getBoundingClientRect().top);
  tell(event.clientX, event.clientY, near.length ? near.map((limit) => limit.reason).join("\n") : undefined);
}

// Keep the two moments that were touched under the two fingers.
/** @param {number[]} before @param {number[]} now */
function pinch([first, second], [one, other]) {
  if (Math.abs(other - one) < 1e-6) return;
  const scale = (second - first) / (other - one);
  if (scale <= 0) return;
  const start = first - (one - view.start) * scale;
  setView(start, start + (view.end - view.start) * scale);
}

function release(event, t) {
  fingers.delete(event.pointerId);
  const done = dragging;
  if (done?.pinch && fingers.size) return;
  drop();
  if (!done || done.pinch) return;
  if (done.from === undefined || done.to === undefined) return setCursor(t, !view.held);
  const [from, to] = [Math.min(done.from, done.to), Math.max(done.from, done.to)];
  if (done.ruler) setRuler({ a: from, b: to });
  else setView(from, to);
}

function drop() {
  dragging = null;
  fingers.clear();
  panels.forEach(moveOverlays);
}

// Paper is light, and as wide as it is whatever the screen was.
function setPrinting(on) {
  printing = on;
  for (const list of folds("details.paper")) list.open = on;
  document.documentElement.classList.toggle("printing", on);
  inks.clear();
  byId("groups").style.setProperty("--right", MARGIN.r + "px");
  panels.forEach(drawPanel);
  drawStrip();
  drawLane();
  drawCourse();
}

async function unpack() {
  if (!("DecompressionStream" in window)) {
    document.body.dataset.state = "reduced";
    say("This browser cannot unpack the full samples (it lacks DecompressionStream, which browsers have had since 2023). " +
      "You see the reduced view: every peak is in it, but zooming shows no more.");
    return;
  }
  try {
    for (let n = 0; n < tables.length; n++) await loadTable(n);
    let told = 0;
    for (let n = 0; n < columns.length; n++) {
      await loadColumn(n);
      if (performance.now() - told < 250) continue; // each word has the page laid out anew
      told = performance.now();
      say(`Reduced view; unpacking every sample: ${Math.round((100 * (n + 1)) / columns.length)} %`);
    }
  } catch (problem) {
    document.body.dataset.state = "reduced";
    say(`The full samples could not be unpacked (${problem instanceof Error ? problem.message : problem}); you see the reduced view.`);
    return;
  }
  document.body.dataset.state = "full";
  say("Every sample loaded");
  redraw();
  drawRuler();
}

buildTools();
buildStrip();
buildGroups();
buildReadout();
buildCourse();
listen();
drawStrip();
drawTools();
drawDue(); // at once: the parser still has all the samples before it
followLink();
if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", unpack);
else unpack();
