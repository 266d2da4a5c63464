"use strict";
{
  const part = (/** @type {string} */ id) => /** @type {HTMLElement} */ (document.getElementById(id));
  const say = (/** @type {string} */ text) => { part("done").textContent = text; };

  // What draws the traces travels packed, as the samples do.
  async function inflate(id) {
    const bytes = Uint8Array.from(atob(part(id).textContent || ""), (c) => c.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Response(stream).text();
  }

  async function start() {
    if (!("DecompressionStream" in window)) {
      document.body.dataset.state = "none";
      part("status").textContent = "This browser is too old to unpack the traces " +
        "(browsers have had DecompressionStream since 2023); the picture above shows the same stretch.";
      return;
    }
    const script = document.createElement("script");
    script.textContent = await inflate("draw"); // runs only because the page's policy names its hash
    document.body.append(script);
  }

  part("copy").addEventListener("click", async () => {
    const area = /** @type {HTMLTextAreaElement} */ (part("text"));
    area.select();
    say((await copied(area.value)) ? "Copied." : "Select the text below and copy it.");
  });

  // The drawing script's own functions, which is here once the samples are.
  part("csv").addEventListener("click", () => {
    if (document.body.dataset.state !== "full") return say("The samples are not unpacked yet.");
    saveFile("window.csv", csv("time from the moment [s]", ...whole));
    say("Saved as window.csv.");
  });

  document.addEventListener("DOMContentLoaded", start);
}
