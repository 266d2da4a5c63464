// The event lane: segments, link gaps, faults, marks and notes on one strip over the traces.

const LANE_HEIGHT = 46;
/** @type {[RegExp, string, number][]} */
const SIGNS = [
  [/^fault$/, "triangle-up", 6], [/^fault cleared/, "triangle-up", 3], [/^mark/, "diamond", 5],
  [/^link/, "x", 6], [/^restart/, "square", 7], [/./, "circle", 2],
];

/** @param {EventData} event */
const signOf = (event) => SIGNS.find(([pattern]) => pattern.test(event.what)) || SIGNS[SIGNS.length - 1];

function drawLane() {
  const host = byId("lane");
  const pixels = plotPixels();
  const picture = svg("svg", { width: width(), height: LANE_HEIGHT, role: "group", "aria-label": "Events" });
  const inside = svg("svg", { x: MARGIN.l, width: pixels, height: LANE_HEIGHT });
  const bar = (from, to, className, title) => {
    const [left, right] = [toPixel(from), toPixel(to)].map((x) => Math.min(Math.max(x, -2), pixels + 2));
    if (right < 0 || left > pixels) return null;
    const box = svg("rect", { x: left, width: Math.max(right - left, 1.5), y: 30, height: 12, class: className });
    box.append(svg("title", {}, title));
    inside.append(box);
    return Math.max(left, 0);
  };
  spec.segments.forEach((segment) => {
    const left = bar(segment.start, segment.end, segment.number % 2 ? "segment" : "segment other", segmentText(segment));
    if (left !== null && spec.segments.length > 1) {
      inside.append(svg("text", { x: left + 4, y: 40, class: "number" }, String(segment.number)));
    }
  });
  for (const gap of spec.gaps) bar(gap.start, gap.end, "gap", `link down for ${(gap.end - gap.start).toFixed(1)} s`);
  let free = 0; // where the next sign may stand without covering the one before
  for (const event of spec.events) {
    const place = toPixel(event.t);
    if (place < 0 || place > pixels) continue;
    const x = Math.min(Math.max(place, free), pixels);
    free = x + 24; // wide enough to be touched
    const [, symbol, paint] = signOf(event);
    const sign = svg("g", { transform: `translate(${x} 16)`, class: "sign", tabindex: 0, role: "button" },
      svg("rect", { x: -12, y: -14, width: 24, height: 28, fill: "transparent" }),
      svg("path", { d: mark(symbol), transform: "scale(1.5)", style: `fill:var(--c${paint})` }));
    const words = `${timeText(event.t, 1, view.wall)} ${event.what}${event.text ? ": " + event.text : ""}`;
    sign.setAttribute("aria-label", words);
    sign.addEventListener("pointerenter", (pointer) => tell(pointer.clientX, pointer.clientY, words));
    sign.addEventListener("pointerleave", () => tell());
    sign.addEventListener("focus", () => tell(sign.getBoundingClientRect().left, sign.getBoundingClientRect().bottom, words));
    sign.addEventListener("blur", () => tell());
    sign.addEventListener("click", () => setCursor(event.t, true));
    sign.addEventListener("keydown", (key) => {
      if (key.key !== "Enter" && key.key !== " ") return;
      key.preventDefault();
      setCursor(event.t, true);
    });
    inside.append(sign);
  }
  picture.append(svg("text", { x: MARGIN.l - 6, y: 20, "text-anchor": "end" }, "events"),
    svg("text", { x: MARGIN.l - 6, y: 40, "text-anchor": "end" }, "link"), inside);
  host.replaceChildren(picture);
}

/** @param {SegmentData} segment */
function segmentText({ number: n, start, end, step: volts }) {
  const across = volts === null ? "" : `, ${volts > 0 ? "+" : ""}${volts.toFixed(2)} V across the gap before it`;
  return `segment ${n}: ${timeText(start, 0, view.wall)} to ${timeText(end, 0, view.wall)}${across}`;
}

function tell(x, y, words) {
  const tip = byId("tip");
  tip.hidden = words === undefined;
  if (tip.hidden) return;
  tip.textContent = words;
  tip.style.left = Math.min(x + 12, innerWidth - Math.min(300, innerWidth) - 8) + scrollX + "px";
  tip.style.top = y + 14 + scrollY + "px";
}
