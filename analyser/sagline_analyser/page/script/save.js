// Taking something out of the page: a text to the clipboard, samples as a CSV file.

async function copied(text) {
  const area = make("textarea", { value: text, className: "unseen" });
  document.body.append(area);
  area.select();
  const done = document.execCommand("copy"); // the way that a page opened from a file may always use
  area.remove();
  if (done) return true;
  try {
    await navigator.clipboard.writeText(text);
    return true;
  } catch {
    return false;
  }
}

// One row an instant, every stream's readings in their places; the very decimals that were sent.
// Columns that the page worked out itself are left out.
function csv(timeTitle, start, end) {
  const wanted = columns.filter((column) => column.title);
  const used = [...new Set(wanted.map((column) => column.table))];
  const micros = (n, i) => Math.round((tables[n].time[i] - spec.zero) * 1e6);
  const rows = new Map();
  for (const n of used) {
    const { time } = tables[n];
    for (let i = search(time, start); i < time.length && time[i] <= end; i++) {
      const at = micros(n, i);
      if (!rows.has(at)) rows.set(at, []);
      rows.get(at).push([n, i]);
    }
  }
  const quote = (text) => (/[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);
  const lines = [[timeTitle, ...wanted.map(({ title }) => title), "gap"].map(quote).join(",")];
  for (const [time, places] of [...rows].sort((a, b) => a[0] - b[0])) {
    const at = new Map(places);
    const values = wanted.map(({ table, raw, value }) => {
      const reading = at.has(table) ? value(raw[at.get(table)]) : NaN;
      return reading === reading ? String(reading) : "";
    });
    const gap = places.some(([n, i]) => i && tables[n].breaks[i] !== tables[n].breaks[i - 1]) ? 1 : 0;
    lines.push([(time / 1e6).toFixed(6), ...values, gap].join(","));
  }
  return lines.join("\n") + "\n";
}

function saveFile(name, text) {
  const address = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
  make("a", { href: address, download: name }).click();
  setTimeout(() => URL.revokeObjectURL(address), 60000);
}
