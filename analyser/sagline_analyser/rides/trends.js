// Draws the trends of every board that is unfolded; the tables stand without this script.
"use strict";

const block = /** @type {HTMLElement} */ (document.getElementById("spec"));
const spec = /** @type {TrendsData} */ (JSON.parse(block.textContent || ""));
const boards = /** @type {NodeListOf<HTMLDetailsElement>} */ (document.querySelectorAll("details.board"));
const drawn = new Set();

function colours() {
  const style = getComputedStyle(document.documentElement);
  return (name) => style.getPropertyValue(name).trim();
}

/** @param {ChartData} chart @param {(name: string) => string} colour */
function traces(chart, colour) {
  return chart.lines.map((line) => ({
    type: "scatter",
    mode: chart.join ? "lines+markers" : "markers",
    name: line.name,
    x: line.x,
    y: line.y,
    error_y: line.error ? { type: "data", array: line.error, thickness: 1, width: 2 } : undefined,
    text: line.text,
    hovertemplate: `%{y:.${chart.digits}f} ${chart.unit}<br>%{text}`,
    connectgaps: false,
    line: { color: colour("--c" + line.colour), dash: line.dash, width: line.strong ? 3 : 1.5 },
    marker: { symbol: line.symbol, size: line.strong ? 8 : 5 },
  }));
}

const HOUR = 3600e3; // ms

/** Ends of the axis where plotly.js would stretch one ride, or a few of one day, to milliseconds.
 * @param {ChartData} chart */
function day(chart) {
  let first = "9", last = "0"; // dates as texts stand in the order of time
  for (const line of chart.lines) {
    for (const date of line.x) {
      if (date < first) first = date;
      if (date > last) last = date;
    }
  }
  const [start, end] = [first, last].map((date) => Date.parse(date.replace(" ", "T") + "Z"));
  if (end - start > 6 * HOUR) return undefined;
  return [start - 12 * HOUR, end + 12 * HOUR].map((time) => new Date(time).toISOString().slice(0, 19));
}

function draw(box) {
  const colour = colours();
  for (const host of box.querySelectorAll(".trend")) {
    const chart = spec.charts[Number(host.dataset.chart)];
    const narrow = host.clientWidth < 600;
    const grid = { gridcolor: colour("--grid"), zeroline: false, automargin: true };
    // The element keeps its height while plotly.js redraws for another width.
    host.style.height = chart.lines.length > 4 ? "400px" : "280px";
    const layout = {
      autosize: true,
      margin: { l: narrow ? 40 : 56, r: 8, t: 8, b: 36 },
      paper_bgcolor: "rgba(0,0,0,0)",
      plot_bgcolor: "rgba(0,0,0,0)",
      font: { color: colour("--text"), size: 12, family: "system-ui, sans-serif" },
      hoverlabel: { align: "left" },
      showlegend: chart.lines.length > 1,
      legend: { orientation: "h", y: -0.14, yanchor: "top" },
      dragmode: narrow ? false : "zoom",
      xaxis: { ...grid, type: "date", nticks: narrow ? 4 : 10, range: day(chart) },
      yaxis: { ...grid, rangemode: chart.zero ? "tozero" : "normal", title: narrow ? undefined : { text: chart.unit } },
    };
    Plotly.react(host, traces(chart, colour), layout, { displayModeBar: false, responsive: true });
  }
}

function drawOpen(again) {
  for (const box of boards) {
    if (box.open && (again || !drawn.has(box))) {
      drawn.add(box);
      draw(box);
    }
  }
}

for (const box of boards) {
  box.addEventListener("toggle", () => drawOpen(false));
}
for (const query of ["(prefers-color-scheme: dark)", "(max-width: 700px)"]) {
  matchMedia(query).addEventListener("change", () => drawOpen(true));
}
drawOpen(false);
document.body.dataset.state = "full";
document.body.dataset.busy = "";
