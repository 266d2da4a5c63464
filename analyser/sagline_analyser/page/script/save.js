// Taking something out of the page: a text to the clipboard, samples as a CSV file, plots as a picture.

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
      const reading = raw && at.has(table) ? value(raw[at.get(table)]) : NaN;
      return reading === reading ? String(reading) : "";
    });
    const gap = places.some(([n, i]) => i && tables[n].breaks[i] !== tables[n].breaks[i - 1]) ? 1 : 0;
    lines.push([(time / 1e6).toFixed(6), ...values, gap].join(","));
  }
  return lines.join("\n") + "\n";
}

function saveFile(name, text) {
  saveBlob(name, new Blob([text], { type: "text/csv" }));
}

function saveBlob(name, blob) {
  const address = URL.createObjectURL(blob);
  make("a", { href: address, download: name }).click();
  setTimeout(() => URL.revokeObjectURL(address), 60000);
}

const PICTURE = { head: 34, title: 20, legend: 22, dots: 2 };

// Every plot that is open, below each other with its title, its lines' names and its limits.
async function picture() {
  const shown = panels.filter((panel) => panel.box.open && panel.range);
  const across = width();
  const rows = shown.map((panel) => PICTURE.title + panel.height + (panel.lines.length > 1 ? PICTURE.legend : 0));
  const canvas = make("canvas", { width: across * PICTURE.dots, height: (PICTURE.head + rows.reduce((a, b) => a + b, 10)) * PICTURE.dots });
  const ink = canvas2d(canvas);
  ink.scale(PICTURE.dots, PICTURE.dots);
  ink.fillStyle = style("--back");
  ink.fillRect(0, 0, across, canvas.height);
  const write = (text, x, y, paint, font = "12px system-ui, sans-serif") => {
    ink.font = font;
    ink.fillStyle = style(paint);
    ink.fillText(text, x, y);
    return x + ink.measureText(text).width;
  };
  write(`${document.title.split(" – ")[0]}  ${timeText(view.start, 1, view.wall)} to ${timeText(view.end, 1, view.wall)}`,
    8, 22, "--text", "bold 15px system-ui, sans-serif");
  let top = PICTURE.head;
  for (const panel of shown) {
    write(panel.title + (panel.unit ? ` (${panel.unit})` : ""), 8, top + 14, "--muted");
    top += PICTURE.title;
    const image = new Image();
    // As a data address: a picture from anywhere else the page's policy would refuse.
    image.src = "data:image/svg+xml," + encodeURIComponent(new XMLSerializer().serializeToString(panel.plot.children[0]));
    await image.decode();
    ink.drawImage(image, 0, top, across, panel.height);
    const names = /** @type {NodeListOf<HTMLElement>} */ (panel.labels.querySelectorAll(":scope > span"));
    for (const name of names) {
      write(name.textContent, across - MARGIN.r + 16, top + parseFloat(name.style.top) + 11, "--muted", "11px system-ui, sans-serif");
    }
    top += panel.height;
    if (panel.lines.length > 1) {
      let x = 8;
      for (const line of panel.lines) {
        if (!line.shown) continue;
        ink.strokeStyle = colour(line.colour);
        ink.lineWidth = 3;
        ink.setLineDash((DASH[line.dash] || "").split(" ").filter(Boolean).map(Number));
        ink.beginPath();
        ink.moveTo(x, top + 9);
        ink.lineTo(x + 24, top + 9);
        ink.stroke();
        ink.setLineDash([]);
        x = write(line.label, x + 28, top + 13, "--text", "11px system-ui, sans-serif") + 12;
      }
      top += PICTURE.legend;
    }
  }
  return new Promise((done) => canvas.toBlob(done, "image/png"));
}

async function savePicture(name) {
  try {
    saveBlob(name, await picture());
    return true;
  } catch {
    return false;
  }
}
