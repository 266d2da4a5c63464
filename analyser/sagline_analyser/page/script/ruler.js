// The two-point ruler: what changed, and what flowed, between A and B.

function drawRuler() {
  const host = byId("ruler");
  host.hidden = view.a === null && view.b === null;
  if (host.hidden) return;
  if (view.a === null || view.b === null) {
    const set = view.a === null ? ["B", "A", view.b] : ["A", "B", view.a];
    host.replaceChildren(make("p", { textContent: `Ruler: ${set[0]} at ${timeText(set[2], 2, view.wall)}; now set ${set[1]}.` }));
    return;
  }
  const [a, b] = [Math.min(view.a, view.b), Math.max(view.a, view.b)];
  const head = `A ${timeText(a, 2, view.wall)} → B ${timeText(b, 2, view.wall)}: Δt ${(b - a).toFixed(3)} s`;
  if (document.body.dataset.state !== "full") {
    host.replaceChildren(make("p", { textContent: `${head}. The rest needs all samples.` }));
    return;
  }
  const { charge, energy } = drawn(a, b);
  const flows = [];
  if (energy !== null) flows.push(`${number(energy / 3600)} Wh`);
  if (charge !== null) flows.push(`${number(charge / 3600)} Ah`);
  const facts = make("p", {}, make("b", { textContent: [head, ...flows].join(" · ") }));
  facts.dataset.energy = energy === null ? "" : energy / 3600;
  const body = make("tbody");
  for (const panel of panels) {
    for (const line of panel.lines) {
      if (!line.shown) continue;
      const found = statistics(line.column, a, b);
      if (!found) continue;
      const [one, two] = [valueAt(line.column, a), valueAt(line.column, b)].map((v) => v * line.factor);
      const cells = [one, two, two - one, found.low * line.factor, found.mean * line.factor, found.high * line.factor];
      const row = make("tr", {}, make("th", { scope: "row", textContent: line.label }),
        ...cells.map((v) => make("td", { className: "n", textContent: number(v, panel.unit) })), make("td", { textContent: panel.unit }));
      row.dataset.column = line.column.key;
      row.dataset.values = JSON.stringify(cells);
      body.append(row);
    }
  }
  const names = ["", "at A", "at B", "Δ", "least", "mean", "greatest", ""];
  const table = make("table", {}, make("thead", {}, make("tr", {}, ...names.map((textContent) => make("th", { textContent })))), body);
  host.replaceChildren(facts, make("div", { className: "wide", tabIndex: 0 }, table));
}
