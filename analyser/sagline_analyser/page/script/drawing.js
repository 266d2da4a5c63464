// Drawing one plot as SVG: its grid, its numbers, its bands and lines.
//
// All colours stand in the picture itself, so that it is the same when it is saved alone.

const FONT = "system-ui, sans-serif";
const FINE = 10; // parts of a px that the points of a line are rounded to

// A plot: its size, its margins, the two ranges, where the times stand, what lies under and over the
// lines, and the lines with the marks on them.  Returns the picture.
function drawing({ width, height, margin, x, y, under, lines, over }) {
  const across = width - margin.l - margin.r, down = height - margin.t - margin.b;
  const toX = (value) => ((value - x.range[0]) / (x.range[1] - x.range[0])) * across;
  const toY = (value) => ((y.range[1] - value) / (y.range[1] - y.range[0])) * down;
  const picture = svg("svg", { xmlns: "http://www.w3.org/2000/svg", width, height, class: "picture", "aria-hidden": "true",
    "font-family": FONT, "font-size": 12, fill: style("--text") });
  const inside = svg("svg", { x: margin.l, y: margin.t, width: across, height: down });
  const numbers = evenly(y.range, y.most);
  let grid = "";
  for (const value of x.values) grid += `M${toX(value).toFixed(1)} 0V${down}`;
  for (const value of numbers.values) if (value) grid += `M0 ${toY(value).toFixed(1)}H${across}`;
  inside.append(svg("path", { class: "grid", d: grid, stroke: style("--grid"), fill: "none" }));
  inside.append(...under.map((shape) => drawShape(shape, toX, toY, across, down)));
  if (y.range[0] < 0 && y.range[1] > 0) {
    inside.append(svg("path", { d: `M0 ${toY(0).toFixed(1)}H${across}`, stroke: style("--muted"), fill: "none" }));
  }
  for (const line of lines) inside.append(drawLine(line, toX, toY), ...drawMarks(line, toX, toY));
  inside.append(...over.map((shape) => drawShape(shape, toX, toY, across, down)));
  picture.append(inside);
  for (const value of numbers.values) {
    picture.append(svg("text", { class: "level", x: margin.l - 5, y: (margin.t + toY(value) + 4).toFixed(1), "text-anchor": "end" },
      numbers.text(value)));
  }
  const floor = margin.t + down;
  x.values.forEach((value, n) => {
    const at = (margin.l + toX(value)).toFixed(1);
    picture.append(svg("path", { class: "tick", d: `M${at} ${floor}v5`, stroke: style("--grid"), fill: "none" }));
    if (x.texts) picture.append(svg("text", { x: at, y: floor + 18, "text-anchor": "middle" }, x.texts[n]));
  });
  return picture;
}

// A stretch of time (from, to), a level, or the heights between two levels.
function drawShape({ from, to, level, other, fill, stroke, opacity, thick, dash }, toX, toY, across, down) {
  if (fill) {
    const [left, right] = from === undefined ? [0, across] : [toX(from), toX(to)];
    const [top, bottom] = level === undefined ? [0, down] : [toY(Math.max(level, other)), toY(Math.min(level, other))];
    return svg("rect", { x: left, y: top, width: Math.max(right - left, 0), height: Math.max(bottom - top, 0), fill, opacity });
  }
  const d = level === undefined ? `M${toX(from)} 0V${down}` : `M0 ${toY(level)}H${across}`;
  return svg("path", { class: "rule", d, stroke, "stroke-width": thick, "stroke-dasharray": DASH[dash], fill: "none" });
}

// Whole numbers are written much faster than fractions: the points are tenths of a px, and the line
// is shrunk back.
function drawLine({ x, y, stroke, dash, thick, opacity }, toX, toY) {
  let path = "", broken = true, lastX = 0, lastY = 0;
  const x0 = toX(0), xs = (toX(1) - x0) * FINE, y0 = toY(0) * FINE, ys = (toY(1) - toY(0)) * FINE;
  for (let i = 0; i < x.length; i++) {
    if (y[i] !== y[i]) {
      broken = true;
      continue;
    }
    // What lies far outside is clipped anyway.
    const px = Math.round(Math.min(Math.max(x0 * FINE + x[i] * xs, -1e6), 1e6));
    const py = Math.round(Math.min(Math.max(y0 + y[i] * ys, -1e6), 1e6));
    if (broken) path += "M" + px + " " + py;
    else if (px !== lastX || py !== lastY) path += "L" + px + " " + py;
    [broken, lastX, lastY] = [false, px, py];
  }
  return svg("path", { class: "line", d: path, transform: `scale(${1 / FINE})`, "vector-effect": "non-scaling-stroke", stroke,
    "stroke-width": thick, "stroke-dasharray": DASH[dash] || "", "stroke-linejoin": "round", fill: "none", opacity });
}

// A symbol or a short text at some points of the line.
function drawMarks({ x, y, at, symbol, text, stroke, opacity }, toX, toY) {
  const seen = at.filter((i) => y[i] === y[i]);
  const place = (i) => [toX(x[i]).toFixed(1), toY(y[i]).toFixed(1)];
  if (text) {
    return seen.map((i) => {
      const [px, py] = place(i);
      return svg("text", { class: "on", x: px, y: py - 4, "text-anchor": "middle", "font-size": 11, fill: stroke, opacity }, text);
    });
  }
  return seen.map((i) => svg("path", { class: "mark", d: mark(symbol), transform: `translate(${place(i)})`, fill: stroke, opacity }));
}

// Round numbers across a range, about as many as wished for, and how they are written: so that they
// fit the margin, thousands and thousandths have the letter of their power.
function evenly([bottom, top], most) {
  const rough = (top - bottom) / most;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = power * ([1, 2, 5].find((n) => n * power >= rough * 0.999) ?? 10);
  const values = [];
  for (let n = Math.ceil(bottom / step - 1e-9); n * step <= top + step * 1e-9; n++) values.push(n * step);
  const size = Math.max(Math.abs(bottom), Math.abs(top));
  const letters = { "-12": "p", "-9": "n", "-6": "µ", "-3": "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T" };
  const third = bottom > -1e5 && size < 1e6 && size >= 1e-3 ? 0 : 3 * Math.floor(Math.log10(size) / 3);
  const digits = Math.max(0, -Math.floor(Math.log10(step) - third + 1e-9));
  const text = (value) => {
    const written = third in letters ? (value / 10 ** third).toFixed(digits) + (value ? letters[third] : "") : value.toExponential(1);
    return written.replace(/^-(?=[0.]*$)/, "").replace("-", "−");
  };
  return { values, text };
}
