// The page of the logger.  Texts from the board or the files only ever become text nodes.
"use strict";

const EVERY = 1000; // ms between two looks while the page is seen
const $ = (/** @type {string} */ id) =>
  /** @type {HTMLInputElement & HTMLButtonElement} */ (document.getElementById(id));
/** @type {ToldInMotion | ToldAtRest | null} */
let state = null;
let listed = 0;
let told = 0;

/** Make an element with a text and children. */
function make(name, text = "", ...children) {
  const made = document.createElement(name);
  if (text) made.textContent = text;
  made.append(...children);
  return made;
}

/** Say something that happened, for some seconds. */
function tell(text) {
  $("told").textContent = text;
  clearTimeout(told);
  told = setTimeout(() => ($("told").textContent = ""), 15000);
}

/** Ask the logger; returns what it says, or null after telling why not. */
async function ask(path, body) {
  /** @type {RequestInit} */
  const options = { cache: "no-store", credentials: "same-origin" };
  if (body !== undefined) {
    options.method = "POST";
    options.headers = { "Content-Type": "application/json" };
    options.body = JSON.stringify(body);
  }
  const answer = await fetch(path, options);
  const said = await answer.json();
  if (!answer.ok) {
    tell(said.problem || `The logger refused (${answer.status}).`);
    return null;
  }
  return said;
}

const two = (number) => String(number).padStart(2, "0");

function span(seconds) {
  const s = Math.floor(seconds);
  const hours = Math.floor(s / 3600);
  const rest = `${two(Math.floor(s / 60) % 60)}:${two(s % 60)}`;
  return hours ? `${hours}:${rest}` : rest;
}

const room = (hours) => (hours > 48 ? `${Math.floor(hours / 24)} days` : `${Math.floor(hours)} h`);

/** Bytes in decimal units (IEC 80000-13). */
function size(bytes) {
  for (const unit of ["B", "kB", "MB", "GB"]) {
    if (bytes < 1000) return unit === "B" ? `${bytes} B` : `${bytes.toFixed(1)} ${unit}`;
    bytes /= 1000;
  }
  return `${bytes.toFixed(1)} TB`;
}

/** @param {ToldAtRest | ToldInMotion} now */
function statusOf(now) {
  if (!now.running) return ["No capture runs", ""];
  if (now.stage === "waiting") return ["Waiting for the board", ""];
  if (now.moving) return ["Capturing", "good"];
  if (now.dropped) return ["The disk does not take all", "bad"];
  if (!now.link_up) return [`Board not heard for ${span(now.link_since)}`, "bad"];
  return ["Capturing", "good"];
}

/** @param {ToldAtRest | ToldInMotion} now */
function show(now) {
  const [words, kind] = statusOf(now);
  const status = $("status");
  if (status.textContent !== words) status.textContent = words;
  status.className = `status ${kind}`;
  $("ride").hidden = !now.moving;
  $("still").hidden = Boolean(now.moving);
  if (now.moving) return;
  $("title").textContent = now.board || "Logger";
  $("alarms").replaceChildren(
    ...now.alarms.map((one) => make("li", one.now ? `${one.words}; now ${one.now}` : one.words)),
  );
  $("numbers-part").hidden = !now.capturing;
  $("unknown-motion").hidden = now.moving !== null;
  $("numbers").replaceChildren(
    ...now.numbers.map((one) => {
      const figure = make("dd", one.text);
      if (one.unit) figure.append(make("span", ` ${one.unit}`));
      return make("div", "", make("dt", [one.title, one.part].filter(Boolean).join(", ")), figure);
    }),
  );
  const left = now.space_seconds === null ? "" : `, room for ${room(now.space_seconds / 3600)}`;
  $("capture").textContent = now.capturing
    ? `${span(now.elapsed)} captured · ${(now.rate / 1000).toFixed(1)} kB/s · ${now.lost} samples lost` +
      ` · ${now.marks} marks · ${size(now.size)}, ${size(now.free)} free${left}`
    : "";
  const warnings = Array.isArray(now.warnings) ? now.warnings : [];
  $("warnings").replaceChildren(...warnings.map((line) => make("li", line)));
  $("pairing").hidden = now.paired;
  $("paired").hidden = !now.paired;
  $("stop").hidden = !now.running;
  $("start").hidden = now.running;
  $("check").disabled = !now.capturing || checking;
}

async function look() {
  try {
    const answer = await fetch("state", { cache: "no-store", credentials: "same-origin" });
    if (!answer.ok) throw new Error(String(answer.status));
    const now = /** @type {ToldAtRest | ToldInMotion} */ (await answer.json());
    state = now;
    show(now);
    if (now.paired && !now.moving && Date.now() - listed > 5000) await list();
  } catch {
    $("status").textContent = "The logger does not answer";
    $("status").className = "status bad";
    $("ride").hidden = true;
  }
}

async function list() {
  listed = Date.now();
  const said = await ask("captures");
  if (!said) return;
  $("captures").replaceChildren(...said.captures.map((one) => item(one, said.reports)));
  if (said.more) $("captures").append(make("li", `and ${said.more} older ones`));
}

function item(one, reports) {
  const facts = [size(one.size)];
  if (one.running) facts.push("being written");
  if (one.seconds !== null) facts.push(span(one.seconds));
  facts.push(one.alarm === null ? "alarms not known" : one.alarm ? `worst: ${one.alarm}` : "no alarm");
  const row = make("div");
  row.className = "row";
  const name = encodeURIComponent(one.name);
  const load = make("a", "Download");
  load.className = "button";
  load.href = `captures/${name}`;
  load.download = one.name;
  load.setAttribute("aria-label", `Download ${one.name}`);
  row.append(load);
  const made = one.report;
  if (made && made.done && !made.problem) {
    const open = make("a", "Open report");
    open.className = "button";
    open.href = `reports/${name}`;
    open.target = "_blank";
    open.rel = "noopener";
    row.append(open);
  } else if (reports) {
    const begin = make("button", made && !made.done ? `Making it, ${span(made.seconds)}` : "Make report");
    begin.disabled = Boolean(made && !made.done);
    begin.setAttribute("aria-label", `${begin.textContent}: ${one.name}`);
    begin.addEventListener("click", async () => {
      if (await ask("report", { name: one.name })) await list();
    });
    row.append(begin);
  }
  const about = make("p", facts.join(" · "));
  about.className = "quiet";
  const parts = [make("b", one.name), about, row];
  if (made && made.problem) parts.push(make("p", `No report: ${made.problem}`));
  return make("li", "", ...parts);
}

const WORDS = { pass: "✓ pass", warn: "◆ look", fail: "▲ fail", open: "○ not checked" };
let checking = false;

async function check() {
  checking = true;
  $("check").disabled = true;
  $("checked").replaceChildren(make("p", "Listening; let it stand …"));
  try {
    const said = await ask("check", {});
    if (!said) return $("checked").replaceChildren();
    const order = ["fail", "warn", "open", "pass"];
    said.results.sort((a, b) => order.indexOf(a.verdict) - order.indexOf(b.verdict));
    const lines = said.results.map((one) => {
      const head = make("b", `${WORDS[one.verdict]}: ${one.name}`);
      head.className = one.verdict;
      const line = make("li", "", head, make("br"), one.numbers);
      if (one.remedy) line.append(make("br"), make("span", `→ ${one.remedy}`));
      return line;
    });
    const list = make("ul", "", ...lines);
    list.className = "plain results";
    const caution = make("p", said.caution);
    caution.className = "quiet";
    $("checked").replaceChildren(list, caution);
  } finally {
    checking = false;
  }
}

async function pair(secret) {
  if (await ask("pair", { secret })) {
    $("secret").value = "";
    tell("Paired.");
    listed = 0;
    await look();
  }
}

$("pair").addEventListener("submit", (event) => {
  event.preventDefault();
  pair($("secret").value);
});
$("mark").addEventListener("submit", async (event) => {
  event.preventDefault();
  const said = await ask("mark", { text: $("text").value });
  if (said) {
    tell(`Mark ${said.number} is in the log.`);
    $("text").value = "";
  }
});
$("stop").addEventListener("click", async () => {
  if (confirm("End this capture? Its log is closed; another can be started from here.")) {
    await ask("stop", {});
    listed = 0;
    await look();
  }
});
$("start").addEventListener("click", async () => {
  await ask("start", {});
  await look();
});
$("check").addEventListener("click", check);
$("unpair").addEventListener("click", async () => {
  await ask("unpair", {});
  await look();
});

async function loop() {
  if (!document.hidden) await look();
  setTimeout(loop, EVERY);
}

// The picture on the logger's terminal carries the secret behind the #, which no server ever sees.
const secret = decodeURIComponent(location.hash.slice(1));
if (secret) {
  history.replaceState(null, "", location.pathname);
  pair(secret).then(loop);
} else {
  loop();
}
