// The strip at the head of the page: the whole ride, and the window that all plots show.

const STRIP = { left: 52, right: 12, pins: 22, get row() { return innerWidth < 700 ? 27 : 36; }, axis: 18 };
const GRIP = 14; // px either side of the window's edge that take hold of it
/** @type {Grip | null} */
let grip = null; // what a pointer on the strip is doing
/** @type {(Element & { between?: [number, number] }) | null} */
let stripWindow = null; // the part of the picture that shows the window and the cursor

const stripRows = () => /** @type {StripRow[]} */ (["speed", "current", "cell"]).filter((name) => spec.strip?.[name]);
const stripWidth = () => (printing ? PAPER : (sizes.strip ||= byId("strip-picture").clientWidth));
const stripPixels = () => Math.max(stripWidth() - STRIP.left - STRIP.right, 50);
const stripX = (t) => STRIP.left + (t / whole[1]) * stripPixels();
const stripTime = (x) => Math.min(Math.max(((x - STRIP.left) / stripPixels()) * whole[1], 0), whole[1]);

function buildStrip() {
  const strip = document.getElementById("strip");
  if (!strip) return;
  const picture = byId("strip-picture");
  const timeAt = (event) => stripTime(event.clientX - picture.getBoundingClientRect().left);
  const touching = new Map();
  picture.addEventListener("pointerdown", (event) => {
    touching.set(event.pointerId, timeAt(event));
    if (touching.size === 1) takeHold(event, picture);
    else between(touching, picture, event);
  });
  picture.addEventListener("pointermove", (event) => {
    if (touching.has(event.pointerId)) touching.set(event.pointerId, timeAt(event));
    if (touching.size > 1) between(touching, picture, event);
    else if (grip) drag(timeAt(event));
  });
  const leave = (event, done) => {
    touching.delete(event.pointerId);
    if (!touching.size) done();
  };
  picture.addEventListener("pointerup", (event) => leave(event, letGo));
  picture.addEventListener("pointercancel", (event) => leave(event, () => { grip = null; }));
  picture.addEventListener("dblclick", () => setView(...whole));
  const place = byId("strip-place");
  // Out of the flow once the page scrolls past it; its place keeps its height, so nothing moves.
  const dock = () => {
    const docked = place.getBoundingClientRect().top < 0 && !printing;
    if (docked === strip.classList.contains("docked")) return;
    place.style.height = docked ? place.getBoundingClientRect().height + "px" : "";
    strip.classList.toggle("docked", docked);
    sizes.strip = 0;
    drawStrip();
  };
  addEventListener("scroll", dock, { passive: true });
  new ResizeObserver(() => {
    sizes.strip = 0;
    drawStrip();
  }).observe(strip);
}

// Two fingers are the two ends of the window.
function between(touching, picture, event) {
  event.preventDefault();
  picture.setPointerCapture(event.pointerId);
  grip = null;
  const times = [...touching.values()];
  setView(Math.min(...times), Math.max(...times));
}

function takeHold(event, picture) {
  if (event.button) return;
  event.preventDefault();
  picture.setPointerCapture(event.pointerId);
  const x = event.clientX - picture.getBoundingClientRect().left;
  const [left, right] = [stripX(view.start), stripX(view.end)];
  const t = stripTime(x);
  const all = view.end - view.start > 0.999 * (whole[1] - whole[0]);
  if (Math.abs(x - left) < GRIP && !all) grip = { at: t, from: view.end, moved: false };
  else if (Math.abs(x - right) < GRIP && !all) grip = { at: t, from: view.start, moved: false };
  else if (x > left && x < right && !all) grip = { at: t, from: t, hold: t - view.start, moved: false };
  else grip = { at: t, from: t, moved: false, fresh: true };
}

function drag(t) {
  if (!grip) return;
  if (Math.abs(stripX(t) - stripX(grip.at)) > 3) grip.moved = true;
  if (!grip.moved) return;
  if (grip.hold !== undefined) setView(t - grip.hold, t - grip.hold + view.end - view.start);
  else setView(Math.min(t, grip.from), Math.max(t, grip.from));
}

// A touch without a drag outside the window brings the window there.
function letGo() {
  const done = grip;
  grip = null;
  if (!done || done.moved || !done.fresh) return;
  const span = view.end - view.start;
  if (span < 0.999 * (whole[1] - whole[0])) setView(done.at - span / 2, done.at + span / 2);
  else setCursor(done.at, true);
}

function drawStrip() {
  const host = document.getElementById("strip-picture");
  if (!host) return;
  const docked = byId("strip").classList.contains("docked");
  const rows = docked ? stripRows().slice(0, 1) : stripRows();
  const pins = docked ? 0 : STRIP.pins;
  const bottom = pins + Math.max(rows.length, 1) * STRIP.row;
  const height = bottom + (docked ? 2 : STRIP.axis);
  const picture = svg("svg", { width: STRIP.left + stripPixels() + STRIP.right, height, role: "img",
    "aria-label": "All of it; the part that is not faded is what the plots show" });
  rows.forEach((name, n) => picture.append(...stripRow(name, pins + n * STRIP.row)));
  for (const gap of spec.gaps) {
    picture.append(svg("rect", { x: stripX(gap.start), width: Math.max(stripX(gap.end) - stripX(gap.start), 1.5), y: pins,
      height: bottom - pins, class: "lost" }));
  }
  if (!docked) picture.append(...stripAxis(bottom));
  stripWindow = Object.assign(svg("g", {}), { between: /** @type {[number, number]} */ ([pins, bottom]) });
  picture.append(...stripPins(pins, bottom), stripWindow);
  host.replaceChildren(picture);
  drawWindow();
}

const ROW_NAMES = { speed: ["speed", "km/h"], current: ["battery", "A"], cell: ["lowest cell", "V"] };

/** @param {StripRow} name @param {number} top */
function stripRow(name, top) {
  const one = name === "current" ? [] : spec.strip[name] || [];
  const [low, high] = name === "current" ? spec.strip.current || [[], []] : [one.map(() => 0), one];
  const finite = [...low, ...high, 0].filter((v) => v !== null);
  const [least, most] = [Math.min(...finite), Math.max(...finite)];
  const size = Math.max(most - least, 1e-6);
  const y = (v) => top + 4 + ((most - v) / size) * (STRIP.row - 8);
  const x = (i) => stripX((i * whole[1]) / spec.strip.count);
  let path = "";
  for (let i = 0; i < high.length; i++) {
    const up = high[i], down = low[i];
    if (up === null || down === null) continue;
    path += `M${x(i).toFixed(1)} ${y(Math.max(up, 0)).toFixed(1)}H${(x(i + 1) + 0.3).toFixed(1)}V${y(Math.min(down, 0)).toFixed(1)}H${x(i).toFixed(1)}Z`;
  }
  const [word, unit] = ROW_NAMES[name];
  const above = name === "cell" && spec.strip.stop !== null;
  const peak = most.toFixed(name === "cell" ? 1 : 0);
  const parts = [svg("path", { d: path, class: "amount " + name }),
    svg("line", { x1: STRIP.left, x2: stripX(whole[1]), y1: y(0), y2: y(0), class: "zero" }),
    svg("text", { x: STRIP.left + 4, y: top + 12, class: "over" }, `${word}${above ? " above stop" : ""}, to ${peak} ${unit}`)];
  if (above && least < 0) {
    const below = high.map((v, i) => (v !== null && v < 0 ? `M${x(i)} ${top + STRIP.row - 3}H${x(i + 1) + 1}` : "")).join("");
    parts.push(svg("path", { d: below, class: "below" }));
  }
  return parts;
}

function stripAxis(bottom) {
  const ticks = timeTicks(whole[0], whole[1], stripPixels(), view.wall);
  return ticks.values.map((t, n) => svg("text", { x: stripX(t), y: bottom + 14, "text-anchor": "middle" }, ticks.texts[n]));
}

// Words for as many pins as there is room; each pin tells all of it under the pointer.
function stripPins(top, bottom) {
  const taken = spec.events.map((event) => [stripX(event.t) - 7, stripX(event.t) + 7]);
  return spec.events.map((event) => {
    const x = stripX(event.t);
    const words = `${event.what}${event.text ? ": " + event.text : ""}`;
    const [, symbol, paint] = signOf(event);
    const pin = svg("g", { class: "pin" }, svg("line", { x1: x, x2: x, y1: Math.max(top - 4, 0), y2: bottom }));
    pin.append(svg("title", {}, `${timeText(event.t, 1, view.wall)} ${words}`));
    if (top) {
      pin.append(svg("path", { d: mark(symbol), transform: `translate(${x} ${top - 10}) scale(1.3)`, style: `fill:var(--c${paint})` }));
      const text = words.length > 34 ? words.slice(0, 33) + "…" : words;
      const size = 6.4 * text.length;
      /** @type {[string, number, number, number][]} */
      const places = [["start", x + 9, x + 8, x + 10 + size], ["end", x - 9, x - 10 - size, x - 8]];
      const fit = places.find(([, , left, right]) => left > 0 && right < stripX(whole[1]) + STRIP.right &&
        taken.every(([from, to]) => right < from || left > to));
      if (fit) {
        pin.append(svg("text", { x: fit[1], y: top - 6, "text-anchor": fit[0] }, text));
        taken.push([fit[2], fit[3]]);
      }
    }
    pin.addEventListener("pointerdown", (pointer) => pointer.stopPropagation()); // no drag of the view
    pin.addEventListener("click", () => showMoment(event.t));
    return pin;
  });
}

// Window and cursor alone: the ride under them stays as it was drawn.
function drawWindow() {
  if (!stripWindow?.between) return;
  const [top, bottom] = stripWindow.between;
  const [left, right] = [stripX(view.start), stripX(view.end)];
  const shade = (from, to) => svg("rect", { x: from, width: Math.max(to - from, 0), y: top, height: bottom - top, class: "faded" });
  const handle = (x) => svg("rect", { x: x - 3, width: 6, y: (top + bottom) / 2 - 9, height: 18, rx: 3, class: "handle" });
  const parts = [shade(STRIP.left, left), shade(right, stripX(whole[1])),
    svg("rect", { x: left, width: Math.max(right - left, 2), y: top, height: bottom - top, class: "window" }), handle(left), handle(right)];
  if (view.cursor !== null) {
    parts.push(svg("line", { x1: stripX(view.cursor), x2: stripX(view.cursor), y1: top, y2: bottom, class: "now" }));
  }
  stripWindow.replaceChildren(...parts);
}
