"use strict";
{
  const say = (text) => { document.getElementById("done").textContent = text; };

  // plotly.js and our own drawing travel packed, or the page would be twice as large.
  async function inflate(id) {
    const bytes = Uint8Array.from(atob(document.getElementById(id).textContent), (c) => c.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Response(stream).text();
  }

  async function start() {
    if (!("DecompressionStream" in window)) {
      document.body.dataset.state = "none";
      document.getElementById("status").textContent = "This browser is too old to unpack the traces " +
        "(browsers have had DecompressionStream since 2023); the picture above shows the same stretch.";
      return;
    }
    for (const id of ["plotly", "draw"]) {
      const script = document.createElement("script");
      script.textContent = await inflate(id); // runs only because the page's policy names its hash
      document.body.append(script);
    }
  }

  document.getElementById("copy").addEventListener("click", async () => {
    const area = document.getElementById("text");
    area.select();
    if (!document.execCommand("copy")) { // the way that a page opened from a file may always use
      try {
        await navigator.clipboard.writeText(area.value);
      } catch {
        return say("Select the text below and copy it.");
      }
    }
    say("Copied.");
  });

  // One row an instant, every stream's readings in their places; the very decimals that were sent.
  function csv() {
    const wanted = JSON.parse(document.getElementById("titles").textContent) // [column, its title]
      .map(([number, title]) => ({ ...columns[number], title }));
    const used = [...new Set(wanted.map((column) => column.table))];
    const micros = (n, i) => Math.round((tables[n].time[i] - spec.zero) * 1e6);
    const rows = new Map();
    for (const n of used) {
      tables[n].time.forEach((_, i) => {
        const time = micros(n, i);
        if (!rows.has(time)) rows.set(time, []);
        rows.get(time).push([n, i]);
      });
    }
    const quote = (text) => (/[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);
    const titles = ["time from the moment [s]", ...wanted.map(({ title }) => title), "gap"];
    const lines = [titles.map(quote).join(",")];
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

  document.getElementById("csv").addEventListener("click", () => {
    if (document.body.dataset.state !== "full") return say("The samples are not unpacked yet.");
    const address = URL.createObjectURL(new Blob([csv()], { type: "text/csv" }));
    const link = document.createElement("a");
    link.href = address;
    link.download = "window.csv";
    link.click();
    setTimeout(() => URL.revokeObjectURL(address), 60000);
    say("Saved as window.csv.");
  });

  document.addEventListener("DOMContentLoaded", start);
}
