// Samples: unpacking them, and picking what a view needs.

"use strict";

// Samples to one entry of a column's indices of extremes: the wider the view, the coarser the index
// that is read, so that any view touches about as many entries as it has pixels.
const BLOCKS = [64, 512, 4096];
const TYPES = { i1: Int8Array, u1: Uint8Array, i2: Int16Array, u2: Uint16Array };

/** An element that every page of ours has. */
const byId = (/** @type {string} */ id) => /** @type {HTMLElement} */ (document.getElementById(id));

const spec = /** @type {PageData} */ (JSON.parse(byId("spec").textContent || ""));
/** @type {PageTable[]} */
const tables = spec.tables.map((table) => ({ ...table, time: new Float64Array(), breaks: new Int32Array() }));
/** @type {PageColumn[]} */
const columns = spec.columns.map((column) => {
  const power = Number("1e" + Math.abs(column.exponent)); // exact, which 10 ** n need not be
  const value = (/** @type {number} */ raw) => {
    if (raw === column.missing || raw !== raw) return NaN;
    const exact = raw * column.multiplier + column.offset;
    return column.exponent < 0 ? exact / power : exact * power;
  };
  return { ...column, value, raw: null, indices: [], breaks: new Int32Array(), overview: readOverview(column.overview, column.kind, value) };
});

// The reduced view that travels as plain numbers: times in µs and raw values, as differences.
/** @param {OverviewData} overview @param {string} kind @param {(raw: number) => number} value */
function readOverview({ steps, raw, cuts }, kind, value) {
  const whole = kind !== "f4";
  const x = [], y = [];
  let time = 0, sum = 0, cut = 0;
  for (let i = 0; i < steps.length; i++) {
    time += steps[i];
    sum = whole ? sum + raw[i] : raw[i];
    if (cuts[cut] === i) {
      x.push(time / 1e6);
      y.push(NaN);
      cut++;
    }
    x.push(time / 1e6);
    y.push(value(sum));
  }
  return { x, y };
}

async function inflate(id) {
  const element = byId(id);
  const text = atob(element.textContent || "");
  const planes = Number(element.dataset.planes);
  element.remove();
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < bytes.length; i++) bytes[i] = text.charCodeAt(i);
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return { planes, bytes: new Uint8Array(await new Response(stream).arrayBuffer()) };
}

// Byte planes to whole steps; the reverse of what pack.py does, step by step.
function step(bytes, planes, count, i) {
  let folded = bytes[i];
  for (let plane = 1; plane < planes; plane++) folded |= bytes[plane * count + i] << (8 * plane);
  return (folded >>> 1) ^ -(folded & 1);
}

function unfold({ bytes, planes }, kind) {
  const count = bytes.length / planes;
  const out = new (TYPES[kind] || Int32Array)(count);
  for (let i = 0, sum = 0; i < count; i++) {
    sum = (sum + step(bytes, planes, count, i)) | 0;
    out[i] = sum;
  }
  if (kind === "f4") return new Float32Array(out.buffer);
  return kind === "u4" ? new Uint32Array(out.buffer) : out;
}

async function loadTable(number) {
  const table = tables[number];
  const steps = unfold(await inflate("t" + number), "i4");
  const jumps = new Map(table.jumps);
  const time = new Float64Array(steps.length);
  for (let i = 0, sum = 0; i < steps.length; i++) {
    sum += jumps.get(i) ?? steps[i];
    time[i] = sum / 1e6;
  }
  const gaps = unfold(await inflate("g" + number), "u1");
  const breaks = new Int32Array(steps.length);
  for (let i = 0, sum = 0; i < steps.length; i++) breaks[i] = sum += gaps[i];
  Object.assign(table, { time, breaks });
}

async function loadColumn(number) {
  const column = columns[number];
  const raw = unfold(await inflate("c" + number), column.kind);
  const missing = (v) => v === column.missing || v !== v;
  let breaks = tables[column.table].breaks;
  if (raw.some(missing)) {
    const own = new Int32Array(raw.length);
    for (let i = 0, sum = 0; i < raw.length; i++) {
      if (missing(raw[i]) || (i && breaks[i] !== breaks[i - 1])) sum++;
      own[i] = sum;
    }
    breaks = own;
  }
  const indices = [];
  for (const size of BLOCKS) {
    const finer = indices.at(-1);
    const count = Math.ceil(raw.length / size);
    // The readings stand beside their places: to look them up all over the column takes far longer.
    const index = { size, low: new Int32Array(count), high: new Int32Array(count),
      least: new Float64Array(count), most: new Float64Array(count) };
    for (let b = 0; b < count; b++) {
      const to = Math.min((b + 1) * size, raw.length);
      const [low, high] = finer ? blockExtremes(finer, b * size, to) : extremes(raw, column.missing, b * size, to);
      index.low[b] = low;
      index.high[b] = high;
      index.least[b] = low < 0 ? Infinity : raw[low];
      index.most[b] = high < 0 ? -Infinity : raw[high];
    }
    indices.push(index);
  }
  Object.assign(column, { raw, indices, breaks });
}

// Indices of the least and greatest reading among samples from..to, or -1 twice.
function extremes(raw, missing, from, to) {
  let low = -1, high = -1, least = Infinity, most = -Infinity;
  for (let i = from; i < to; i++) {
    const v = raw[i];
    if (v === missing) continue; // what is no number is neither less nor more than any
    if (v < least) [low, least] = [i, v];
    if (v > most) [high, most] = [i, v];
  }
  return [low, high];
}

// The same through an index of blocks, whose borders must fall on the range's.
function blockExtremes({ size, low, high, least, most }, from, to) {
  let lowest = Infinity, highest = -Infinity, first = -1, second = -1;
  const end = Math.ceil(to / size);
  for (let b = from / size; b < end; b++) {
    if (least[b] < lowest) [lowest, first] = [least[b], b];
    if (most[b] > highest) [highest, second] = [most[b], b];
  }
  return [first < 0 ? -1 : low[first], second < 0 ? -1 : high[second]];
}

// First index whose time is at or past t.
function search(time, t) {
  let from = 0, to = time.length;
  while (from < to) {
    const middle = (from + to) >> 1;
    if (time[middle] < t) from = middle + 1;
    else to = middle;
  }
  return from;
}

// Points of a column from start to end for a plot of so many pixels: the samples themselves when
// they fit, otherwise the least and greatest of each pixel's stretch.  NaN breaks the line.
/** @param {PageColumn} column @param {number} start @param {number} end @param {number} pixels */
function pointsOf(column, start, end, pixels) {
  if (!column.raw) return column.overview;
  const { raw, missing, breaks, value } = column;
  const { time } = tables[column.table];
  const from = Math.max(search(time, start) - 1, 0);
  const to = Math.min(search(time, end) + 1, raw.length);
  const x = [], y = [];
  let before = -1;
  const put = (i) => {
    if (i < 0 || i === before || raw[i] === missing || raw[i] !== raw[i]) return;
    if (before >= 0 && breaks[i] !== breaks[before]) {
      x.push(time[i]);
      y.push(NaN);
    }
    x.push(time[i]);
    y.push(value(raw[i]));
    before = i;
  };
  let size = Math.ceil((to - from) / Math.max(pixels, 1));
  if (size <= 2) {
    for (let i = from; i < to; i++) put(i);
    return { x, y };
  }
  const index = column.indices.findLast((one) => size >= 2 * one.size);
  if (index) size = Math.ceil(size / index.size) * index.size;
  for (let i = index ? Math.floor(from / index.size) * index.size : from; i < to; i += size) {
    const last = Math.min(i + size, raw.length);
    const [low, high] = index ? blockExtremes(index, i, last) : extremes(raw, missing, i, last);
    put(Math.min(low, high));
    put(Math.max(low, high));
  }
  return { x, y };
}

// The reading at t: the sample at or before it, unless a gap or the end lies between.
/** @param {PageColumn} column @param {number} t */
function valueAt(column, t) {
  if (!column.raw) return overviewAt(column.overview, t);
  const { time, period } = tables[column.table];
  const next = search(time, t);
  const i = time[next] === t ? next : next - 1;
  if (i < 0) return NaN;
  const broken = i + 1 < time.length && column.breaks[i + 1] !== column.breaks[i];
  if ((broken || i + 1 === time.length) && t - time[i] > Math.max(period * 2, 0.001)) return NaN;
  return column.value(column.raw[i]);
}

function overviewAt({ x, y }, t) {
  const i = search(x, t);
  return i < x.length && t >= x[0] ? y[x[i] === t || !i ? i : i - 1] : NaN;
}

// Over a..b: least, greatest, and mean over time by trapezoids that never cross a gap.
/** @param {PageColumn} column @param {number} a @param {number} b */
function statistics(column, a, b) {
  if (!column.raw) return null;
  const { time } = tables[column.table];
  let low = Infinity, high = -Infinity, sum = 0, span = 0;
  const to = search(time, b + 1e-9);
  for (let i = search(time, a), before = NaN; i < to; i++) {
    const v = column.value(column.raw[i]);
    if (v < low) low = v;
    if (v > high) high = v;
    if (v === v && before === before && column.breaks[i] === column.breaks[i - 1]) {
      sum += ((v + before) / 2) * (time[i] - time[i - 1]);
      span += time[i] - time[i - 1];
    }
    before = v;
  }
  return low > high ? null : { low, high, mean: span ? sum / span : low, integral: sum };
}

// Straight line between samples at t, NaN across a gap.
/** @param {PageColumn} column @param {number} t */
function lineAt(column, t) {
  if (!column.raw) return NaN;
  const { time } = tables[column.table];
  const i = search(time, t);
  if (i < time.length && time[i] === t) return column.value(column.raw[i]);
  if (!i || i === time.length || column.breaks[i] !== column.breaks[i - 1]) return NaN;
  const one = column.value(column.raw[i - 1]), two = column.value(column.raw[i]);
  return one + ((t - time[i - 1]) / (time[i] - time[i - 1])) * (two - one);
}

// Charge in A·s and energy in W·s drawn from the pack over a..b, null without the channels.
function drawn(a, b) {
  const currents = spec.power.current.map((n) => columns[n]);
  const voltages = spec.power.voltage.map((n) => columns[n]);
  if (!currents.length) return { charge: null, energy: null };
  const { time } = tables[currents[0].table];
  const total = (list, t) => list.reduce((sum, column) => sum + lineAt(column, t), 0);
  const breaks = currents[0].breaks;
  let charge = 0, energy = 0;
  const to = search(time, b + 1e-9);
  for (let i = search(time, a), amps = NaN, watts = NaN, first = true; i < to; i++) {
    const nextAmps = total(currents, time[i]);
    const nextWatts = nextAmps * total(voltages, time[i]);
    if (!first && breaks[i] === breaks[i - 1]) {
      const dt = time[i] - time[i - 1];
      if (nextAmps + amps === nextAmps + amps) charge += ((nextAmps + amps) / 2) * dt;
      if (nextWatts + watts === nextWatts + watts) energy += ((nextWatts + watts) / 2) * dt;
    }
    [amps, watts, first] = [nextAmps, nextWatts, false];
  }
  return { charge, energy: voltages.length ? energy : null };
}
