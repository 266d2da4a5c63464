// The overlay: one plot a quantity, all launches on one clock.  Needs Plotly and the data in #spec.
"use strict";
const byId = (/** @type {string} */ id) => /** @type {HTMLElement} */ (document.getElementById(id));
const spec = /** @type {OverlayData} */ (JSON.parse(byId("spec").textContent || ""));
const root = document.documentElement;
const host = byId("panels");
const colour = (/** @type {string} */ name) => getComputedStyle(root).getPropertyValue(name).trim();
/** @type {Record<string, { paint: string, dash: string }>} */
const SIDES = { A: { paint: "--c5", dash: "solid" }, B: { paint: "--c6", dash: "dash" } };

const panels = spec.panels.map((panel) => {
  const title = document.createElement("div");
  title.className = "unit";
  title.textContent = panel.title + (panel.unit ? ` (${panel.unit})` : "");
  const plot = document.createElement("div");
  plot.className = "plot";
  const box = document.createElement("div");
  box.className = "panel";
  box.append(title, plot);
  host.append(box);
  return { ...panel, plot };
});

/** @param {OverlayLine} line @param {OverlayPanel} panel */
function trace(line, panel) {
  const { paint, dash } = SIDES[line.side];
  const x = line.y.map((_, i) => line.start + i * spec.step);
  return {
    type: "scatter", mode: "lines", x, y: line.y, connectgaps: false, opacity: line.bold ? 1 : 0.4,
    line: { color: colour(paint), dash, width: line.bold ? 3 : 1 },
    name: `median of ${line.side}`, hoverinfo: line.bold ? "all" : "skip",
    hovertemplate: line.bold ? `%{y:.3~g} ${panel.unit}` : undefined,
  };
}

function draw(width) {
  const grid = colour("--grid");
  for (const panel of panels) {
    const goal = panel.goal === null ? [] : [{
      type: "line", xref: "paper", x0: 0, x1: 1, y0: panel.goal, y1: panel.goal,
      line: { color: colour("--muted"), dash: "dot", width: 1 },
    }];
    Plotly.react(panel.plot, panel.lines.map((line) => trace(line, panel)), {
      width, height: width < 500 ? 190 : 260, showlegend: false, hovermode: "x unified", dragmode: false,
      margin: { l: 46, r: 10, t: 8, b: 34 }, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: "system-ui, sans-serif", size: 12, color: colour("--text") },
      hoverlabel: { bgcolor: colour("--panel") }, shapes: goal,
      xaxis: { range: spec.range, gridcolor: grid, zerolinecolor: colour("--muted"), fixedrange: true,
        ticksuffix: " s", nticks: width < 500 ? 6 : 12 },
      yaxis: { gridcolor: grid, zerolinecolor: grid, fixedrange: true, nticks: 6 },
    }, { displayModeBar: false, responsive: false, doubleClick: false });
  }
}

const fit = () => draw(host.clientWidth);
fit();
document.body.dataset.state = "full";
let waiting = 0;
addEventListener("resize", () => {
  clearTimeout(waiting);
  waiting = setTimeout(fit, 100);
});
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", fit);
addEventListener("beforeprint", () => {
  root.classList.add("printing");
  draw(700);
});
addEventListener("afterprint", () => {
  root.classList.remove("printing");
  fit();
});
