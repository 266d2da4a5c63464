// Records to counts, segments, values and times, §5.7, §5.8, §6.3, §6.5 and §9.1 of
// protocol_docs/frame_format.md.  Standard input: a log in hex on each line; standard output: on each
// line what was read of it, in JSON.  tests/support/another_decoder.py asks it.
import { createInterface } from "node:readline";
import { KNOWN_MAJOR, Refused, SECTOR, SIZES, fieldsOf, pieces, rawValue, valueOf } from "./frames.mjs";

const wrapNear = (reading, near) => reading + 2 ** 32 * Math.round((near - reading) / 2 ** 32);

function newCapture(counts) {
  counts.captures += 1;
  return { host: null, hosts: [], lastTime: null, position: 0, hidden: 0, frames: 0, dropped: 0,
    ended: false, counted: null, segments: [], waiting: null, placing: null, foreign: 0 };
}

function read(log) {
  const counts = Object.fromEntries(["received", "lost", "events lost", "repeated", "went back",
    "undescribed", "misfit", "unheard", "restarts under one number", "contradictions",
    "damaged places", "damaged bytes", "captures", "frames", "unknown version", "foreign",
    "missing frames", "missing bytes", "dropped frames"].map((name) => [name, 0]));
  const captures = [];
  let capture = null, segment = null, first = true, otherLog = false, otherBoard = false;
  let afterLog = false, anyDropped = false, anyUnread = false, zerosInFront = 0;

  const damage = (size) => {
    if (capture) capture.placing = null;
    counts["damaged places"] += 1;
    counts["damaged bytes"] += size;
  };
  // §6.3: device bytes that stand together; the byte of the TIME before lies in them.
  const deviceBytes = (size, zeros = false) => {
    if (!capture) zerosInFront += size;
    if (!capture || !size) return;
    if (!zeros) capture.placing = null;
    const waiting = capture.waiting;
    if (waiting !== null) {
      capture.waiting = null;
      const behind = waiting.position - (capture.position + size - 1);
      if (waiting.position < capture.position) capture.position = waiting.position;
      else if (behind > 0) {
        const explained = Math.min(behind, capture.hidden);
        capture.hidden -= explained;
        counts["missing bytes"] += behind - explained;
        capture.position += behind;
      }
    }
    capture.position += size;
  };
  const otherThanForeign = () => {
    if (!capture) return;
    const size = capture.foreign;
    capture.foreign = 0;
    deviceBytes(size);
  };
  const finish = () => {
    otherThanForeign();
    if (capture && capture.counted !== null)
      counts["missing frames"] += Math.max(0, capture.counted - capture.dropped - capture.frames);
  };
  const begin = () => {
    finish();
    capture = newCapture(counts);
    capture.position = zerosInFront;
    zerosInFront = 0;
    captures.push(capture);
    segment = null;
  };
  const beginSegment = (boot) => {
    segment = { capture, number: captures.length - 1, boot, records: [], clock: null, host: null, since: null,
      highest: -Infinity, counters: new Map(), afterFirst: capture.segments.length > 0 };
    capture.segments.push(segment);
  };

  for (const piece of pieces(log)) {
    if (piece.damaged) { otherThanForeign(); damage(piece.damaged); continue; }
    if (piece.zeros) {
      if (piece.zeros >= SECTOR) damage(piece.zeros);
      otherThanForeign();
      deviceBytes(piece.zeros, true);
      continue;
    }
    const { body, size } = piece, kind = body[0], device = kind < 0x80;
    let is = null;
    if (kind === 0x80) {
      try { is = fieldsOf(body); } catch (error) { if (!(error instanceof Refused)) throw error; }
      if (is && first && is.major !== KNOWN_MAJOR) return { refused: is.major };
    }
    first = false;
    if (is) {
      begin();
      otherLog = is.major !== KNOWN_MAJOR;
      otherBoard = false;
      afterLog = true;
      if (otherLog) counts["unknown version"] += 1;
      continue;
    }
    if (device) counts.frames += 1;
    if (otherLog) { counts["unknown version"] += 1; continue; }
    if (!capture || capture.ended) { begin(); afterLog = kind === 0x81; }
    const fresh = afterLog;
    afterLog = false;

    if (kind !== 0x87) otherThanForeign();
    let broken = false;
    try { is = kind === 0x80 ? null : fieldsOf(body); } catch (error) {
      if (!(error instanceof Refused)) throw error;
    }
    if (is === null) broken = true;
    if (!device && !broken && !is.unknownKind) {
      if (kind === 0x81 && !fresh) begin();
      if (kind === 0x85 && capture.lastTime !== null && is.monotonic < capture.lastTime) begin();
      if (kind === 0x85) capture.lastTime = is.monotonic;
    }

    if (device) {
      capture.frames += 1;
      const times = capture.placing;
      deviceBytes(size);
      if (otherBoard && !(kind === 1 && body.length > 2 && body[1] === KNOWN_MAJOR)) {
        counts["unknown version"] += 1;
        continue;
      }
      if (kind === 1 && body.length > 2) otherBoard = body[1] !== KNOWN_MAJOR;
      if (broken) { damage(size); continue; }
      if (kind === 1) otherBoard = is.major !== KNOWN_MAJOR;
      if (otherBoard) { counts["unknown version"] += 1; continue; }
      if (is.unknownKind) continue;
      deviceRecord(is, body, times);
      continue;
    }
    if (broken) { damage(size); continue; }
    if (is.unknownKind) continue;
    capture.host = is.monotonic;
    capture.hosts.push(is);
    if (kind === 0x85) capture.waiting = capture.placing = is;
    if (kind === 0x87) { counts.foreign += is.size; capture.foreign += is.size; }
    if (kind === 0x89) anyUnread ||= is.use === 1;
    if (kind === 0x88) {
      anyDropped = true;
      counts["dropped frames"] += is.frames;
      capture.dropped += is.frames;
      if (is.size) capture.placing = null;
      if (is.device === null) capture.hidden += is.size;
      else deviceBytes(is.device);
    }
    if (kind === 0x8f) { capture.counted = is.frames; capture.ended = true; }
  }
  finish();

  // §5.7
  function place(is) {
    if (segment.clock === null) return is.clock;
    const passed = segment.host !== null && capture.host !== null ? capture.host - segment.host : 0;
    return wrapNear(is.clock, segment.clock + (passed > 2 ** 30 ? passed : 0));
  }
  function keep(is, time) {
    is.host ??= capture.host;
    if (is.clock !== undefined) {
      if (segment.clock === null) segment.since = is.host;
      is.time = time;
      segment.clock = time;
      segment.host = capture.host;
    }
    segment.records.push(is);
  }
  function deviceRecord(is, body, times) {
    if (segment === null || segment.boot !== is.boot) beginSegment(is.boot);
    is.pair = times;
    if (is.kind === 1 && segment.clock !== null && !segment.counters.size && place(is) < segment.clock) {
      counts["restarts under one number"] += 1;
      beginSegment(is.boot);
    }
    if (is.kind <= 2) {
      keep(is, is.clock === undefined ? undefined : place(is));
      return;
    }
    const counter = is.kind === 4 ? "events" : is.stream;
    let before = segment.counters.get(counter), time = place(is);
    const bytes = Buffer.from(body).toString("hex");
    if (before) {
      const step = (is.sequence - before.due + 2 ** 32) % 2 ** 32;
      if (step < 2 ** 31) {
        counts[is.kind === 4 ? "events lost" : "lost"] += step;
      } else if (before.past.includes(bytes)) {
        counts.repeated += 1;
        return;
      } else if (time >= before.time && time <= segment.highest + 1e6) {
        counts["went back"] += 1;
      } else {
        counts["restarts under one number"] += 1;
        const old = segment;
        let from = old.records.length;
        for (let i = from - 1; i >= 0 && old.records[i].kind <= 2; i--)
          if (old.records[i].kind === 1) { from = i; break; }
        const moved = old.records.splice(from);
        beginSegment(is.boot);
        const now = capture.host;
        for (const record of moved) {
          capture.host = record.host;
          keep(record, record.clock === undefined ? undefined : place(record));
        }
        capture.host = now;
        time = place(is);
        before = undefined;
      }
    }
    if (!before) {
      before = { past: [] };
      segment.counters.set(counter, before);
      if (segment.afterFirst && is.kind === 3) counts.unheard += is.sequence;
    }
    before.due = (is.sequence + is.count) % 2 ** 32;
    before.time = time;
    before.past = [...before.past.slice(-63), bytes];
    segment.highest = Math.max(segment.highest, time);
    keep(is, time);
  }

  for (const segment of captures.flatMap((c) => c.segments)) describe(segment, counts);
  placeCaptures(captures);
  const segments = captures.flatMap((c) => c.segments);
  const none = ["lost", "events lost", "went back", "undescribed", "misfit", "unheard",
    "restarts under one number", "damaged places", "contradictions", "unknown version",
    "missing frames", "missing bytes"].every((name) => counts[name] === 0) && !anyDropped && !anyUnread;
  const told = counts.received > 0 || segments.some((s) => s.records.some((r) => r.kind === 4));
  const understood = counts.foreign > 0 ? told : segments.length > 0;
  return { counts, "nothing lost": none && understood,
    segments: segments.map((s) => ({ capture: s.number, boot: s.boot, streams: s.streams })) };
}

// The fields of a STREAM, as far as they have a meaning.
const said = ({ period, name, channels }) => JSON.stringify([period, name, channels], (_, value) =>
  typeof value === "number" && !Number.isFinite(value) ? String(value) : value);

// §5.8, §9.1: every SAMPLES record with its STREAM; the segment's streams by name.
function describe(segment, counts) {
  const streams = segment.records.filter((r) => r.kind === 2);
  const last = new Map(), latest = new Map();
  for (const stream of streams) {
    const before = latest.get(stream.stream);
    if (before && before.revision === stream.revision && said(before) !== said(stream))
      counts.contradictions += 1;
    latest.set(stream.stream, stream);
  }
  segment.streams = {};
  const names = new Map();
  segment.records.forEach((record, at) => {
    const id = `${record.stream}/${record.revision}`;
    if (record.kind === 2) last.set(id, record);
    if (record.kind !== 3) return;
    const description = last.get(id) ?? segment.records.slice(at).find(
      (r) => r.kind === 2 && r.stream === record.stream && r.revision === record.revision);
    if (!description) { counts.undescribed += record.count; return; }
    const width = description.channels.reduce((sum, c) => sum + SIZES[c.type], 0);
    if (record.data.length !== record.count * width || (!description.period && record.count > 1)) {
      counts.misfit += record.count;
      return;
    }
    counts.received += record.count;
    record.fits = true;
    record.period = description.period;
    let name = description.name || String(record.stream);
    if ((names.get(name) ?? record.stream) !== record.stream) name = `${name} (${record.stream})`;
    names.set(name, record.stream);
    const to = (segment.streams[name] ??= { clocks: [], sequences: [], channels: {} });
    const view = new DataView(record.data.buffer, record.data.byteOffset, record.data.byteLength);
    for (let i = 0, offset = 0; i < record.count; i++) {
      to.clocks.push(record.time + i * description.period);
      to.sequences.push((record.sequence + i) % 2 ** 32);
      for (const c of description.channels) {
        const column = (to.channels[c.key] ??= Array(to.clocks.length - 1).fill(null));
        while (column.length < to.clocks.length - 1) column.push(null);
        column.push(valueOf(c, rawValue(view, offset, c.type)));
        offset += SIZES[c.type];
      }
    }
  });
}

// The last wall − monotonic that holds, where it makes the capture's start a date, §6.5.
function dated(capture) {
  if (!capture.hosts.length) return null;
  const from = capture.hosts.map((h) => h.wall - h.monotonic);
  const steady = from.filter((one, i) => i && Math.abs(one - from[i - 1]) < 1e6);
  const last = (steady.length ? steady : from).at(-1);
  return last + capture.hosts[0].monotonic >= Date.UTC(2000, 0, 1) * 1000 ? last : null;
}

// µs from the first capture's start; a segment's clock lies where its fastest delivery puts it.
function placeCaptures(captures) {
  let before = null, end = 0;
  for (const capture of captures) {
    if (!capture.hosts.length && !capture.segments.length) { // it takes no time, and tells none
      before = capture;
      continue;
    }
    const zero = capture.hosts.length ? capture.hosts[0].monotonic : null;
    capture.start = 0;
    if (before !== null) {
      const was = dated(before), is = dated(capture);
      const start = was === null || is === null ? -Infinity
        : before.start + capture.hosts[0].monotonic - before.hosts[0].monotonic
          + (Math.abs(is - was) <= 1e6 ? 0 : is - was);
      capture.told = start >= end;
      capture.start = capture.told ? start : end + 1e6;
    }
    let [last, until, earliest] = laid(capture, zero);
    if (before !== null && earliest < end + (capture.told ? 0 : 1e6)) { // §6.5, rule 2
      capture.start += end + 1e6 - earliest;
      [last, until] = laid(capture, zero);
    }
    last = Math.max(last, until);
    before = capture;
    end = Math.max(end, last);
  }
}

// Lays a capture's segments from its start on: its latest host record, latest and earliest reading.
function laid(capture, zero) {
  let last = capture.start, until = -Infinity, earliest = Infinity;
  for (const host of capture.hosts) last = Math.max(last, capture.start + host.monotonic - zero);
  for (const segment of capture.segments) {
    let offset = Infinity;
    for (const record of segment.records)
      if (record.pair && record.time !== undefined && (record.kind !== 3 || record.fits))
        offset = Math.min(offset, capture.start + record.pair.monotonic - zero - record.time
          - (record.count - 1 || 0) * (record.period ?? 0));
    // §6.3: a segment that no TIME places lies as early as it can have come.
    const clocks = segment.records.filter((r) => r.time !== undefined).map((r) => r.time);
    if (offset === Infinity && clocks.length) {
      const since = segment.since === null ? -Infinity : capture.start + segment.since - zero;
      offset = Math.max(capture.start, since, until) - clocks.reduce((a, b) => Math.min(a, b));
    }
    for (const record of segment.records)
      if (record.time !== undefined) {
        earliest = Math.min(earliest, record.time + offset);
        until = Math.max(until, record.time + offset + (record.count - 1 || 0) * (record.period ?? 0));
      }
    for (const stream of Object.values(segment.streams)) {
      let level = -Infinity; // where a clock reads less
      stream.times = stream.clocks.map((clock) => (level = Math.max(level, clock + offset)));
    }
  }
  return [last, until, earliest];
}

for await (const hex of createInterface({ input: process.stdin }))
  process.stdout.write(JSON.stringify(read(Buffer.from(hex, "hex"))) + "\n");
