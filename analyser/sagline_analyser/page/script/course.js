// Where it happened: the course as seen from above, without any map, coloured by a channel.

const COURSE = { get height() { return printing || width() < 500 ? 220 : 300; }, edge: 26 };
/** @type {PageCourse | null} */
let course = null;

function buildCourse() {
  if (!spec.course) return;
  colours = spec.course.scale;
  const lines = panels.map((panel) => ({ line: panel.lines[0], panel }));
  const choose = make("select", { id: "course-by", "aria-label": "Colour the course by" },
    ...lines.map(({ line }, n) => make("option", { value: n, textContent: line.label })));
  choose.value = String(Math.max(lines.findIndex(({ line }) => line.column.key === "speed"), 0));
  choose.addEventListener("change", () => drawCourse());
  const canvas = make("canvas", { id: "course-picture", role: "img",
    "aria-label": "The course from above, north up; the part in view is coloured by the channel chosen" });
  const here = make("i", { id: "course-here", hidden: true });
  const scale = make("canvas", { width: 120, height: 10, "aria-hidden": "true" });
  const least = make("span"), most = make("span");
  const box = make("details", { open: true, className: "group", id: "group-course" },
    make("summary", { textContent: "Course" }),
    make("p", { className: "by" }, choose, least, scale, most),
    make("div", { className: "from-above" }, canvas, here));
  box.addEventListener("toggle", () => box.open && drawCourse());
  course = { ...spec.course, lines, choose, canvas, here, scale, least, most, box, place: null };
  const at = (event) => {
    const { left, top } = canvas.getBoundingClientRect();
    return fixNear(event.clientX - left, event.clientY - top);
  };
  canvas.addEventListener("pointermove", (event) => {
    if (event.pointerType === "mouse" && !view.held) setCursor(at(event), false);
  });
  canvas.addEventListener("pointerleave", () => !view.held && setCursor(null));
  canvas.addEventListener("click", (event) => setCursor(at(event), true));
  byId("groups").prepend(box);
  const ink = canvas2d(scale);
  for (let x = 0; x < scale.width; x++) {
    ink.fillStyle = shade(x / (scale.width - 1));
    ink.fillRect(x, 0, 1, scale.height);
  }
}

/** @type {string[]} */
let colours = [];

// A share of the way along the scale, which also readers without colour sight tell by lightness.
function shade(share) {
  const at = Math.min(Math.max(share, 0), 1) * (colours.length - 1);
  const n = Math.min(Math.floor(at), colours.length - 2);
  const parts = [1, 3, 5].map((i) => {
    const [one, two] = [n, n + 1].map((k) => parseInt(colours[k].slice(i, i + 2), 16));
    return Math.round(one + (two - one) * (at - n));
  });
  return `rgb(${parts.join(",")})`;
}

function drawCourse() {
  if (!course || !course.box.open) return;
  const { canvas, t, x, y, cut } = course;
  const across = width(), dots = devicePixelRatio || 1;
  const [left, right, low, high] = [Math.min(...x), Math.max(...x), Math.min(...y), Math.max(...y)];
  const scale = Math.min((across - 2 * COURSE.edge) / Math.max(right - left, 10), (COURSE.height - 2 * COURSE.edge) / Math.max(high - low, 10));
  const place = course.place = (/** @type {number} */ i) => /** @type {Place} */ ([across / 2 + (x[i] - (left + right) / 2) * scale, COURSE.height / 2 - (y[i] - (low + high) / 2) * scale]);
  canvas.width = across * dots;
  canvas.height = COURSE.height * dots;
  canvas.style.width = across + "px";
  canvas.style.height = COURSE.height + "px";
  const ink = canvas2d(canvas);
  ink.scale(dots, dots);
  ink.lineCap = "round";
  const { line, panel } = course.lines[Number(course.choose.value)];
  const values = t.map((time) => valueAt(line.column, time) * line.factor);
  const known = values.filter((v, i) => v === v && t[i] >= view.start && t[i] <= view.end);
  const [least, most] = known.length ? [Math.min(...known), Math.max(...known)] : [NaN, NaN];
  course.least.textContent = number(least, panel.unit);
  course.most.textContent = `${number(most, panel.unit)} ${panel.unit}`;
  const stroke = (i, paint, thick) => {
    if (cut.includes(i)) return;
    ink.beginPath();
    ink.moveTo(...place(i - 1));
    ink.lineTo(...place(i));
    ink.strokeStyle = paint;
    ink.lineWidth = thick;
    ink.stroke();
  };
  // A pale line below, so that dark colours show on dark and bright ones on bright.
  for (let i = 1; i < t.length; i++) stroke(i, style("--muted"), t[i] >= view.start && t[i - 1] <= view.end ? 7 : 1.5);
  for (let i = 1; i < t.length; i++) {
    if (t[i] < view.start || t[i - 1] > view.end || values[i] !== values[i]) continue;
    stroke(i, shade(most > least ? (values[i] - least) / (most - least) : 0.5), 4);
  }
  ink.fillStyle = style("--text");
  ink.font = "11px system-ui, sans-serif";
  for (const event of spec.events) {
    if (event.t < t[0] || event.t > t[t.length - 1]) continue;
    const [px, py] = place(Math.min(search(t, event.t), t.length - 1));
    const [, symbol, paint] = signOf(event);
    ink.save();
    ink.translate(px, py);
    ink.scale(1.5, 1.5);
    ink.fillStyle = style("--c" + paint);
    ink.fill(new Path2D(mark(symbol)));
    ink.restore();
  }
  const [sx, sy] = place(0);
  ink.fillText("start", sx + 8, sy - 6);
  // How long a hundred, a thousand, … metres are.
  const long = 10 ** Math.floor(Math.log10(Math.max((across / 4) / scale, 1)));
  ink.fillRect(COURSE.edge, COURSE.height - 12, long * scale, 2);
  ink.fillText(long >= 1000 ? `${long / 1000} km` : `${long} m`, COURSE.edge, COURSE.height - 16);
  ink.fillText("N ↑", across - COURSE.edge, 16);
  placeHere();
}

function fixNear(px, py) {
  if (!course?.place) return 0;
  let best = 0, least = Infinity;
  for (let i = 0; i < course.t.length; i++) {
    const [x, y] = course.place(i);
    const far = (x - px) ** 2 + (y - py) ** 2;
    if (far < least) [best, least] = [i, far];
  }
  return course.t[best];
}

// The cursor's place, moved without drawing anything anew.
function placeHere() {
  if (!course?.place) return;
  const { t, here } = course;
  const now = view.cursor;
  here.hidden = now === null || now < t[0] - 5 || now > t[t.length - 1] + 5;
  if (now === null || here.hidden) return;
  const i = Math.min(search(t, now), t.length - 1);
  let [x, y] = course.place(i);
  if (i && !course.cut.includes(i)) {
    const share = (now - t[i - 1]) / Math.max(t[i] - t[i - 1], 1e-6);
    const [bx, by] = course.place(i - 1);
    [x, y] = [bx + (x - bx) * Math.min(share, 1), by + (y - by) * Math.min(share, 1)];
  }
  here.style.transform = `translate(${x}px, ${y}px)`;
}
