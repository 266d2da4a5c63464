// A decoder of protocol_docs/frame_format.md in another language, written from that text alone:
// none of our readers was opened while this was made, and no code is shared with them.
// Standard input: one JSON list of logs in hex.  Standard output: one JSON list of what was read.
// Run by test_another_decoder.py on the vectors and on logs that stand nowhere else.
import { readFileSync } from "node:fs";

const KNOWN_MAJOR = 1, LONGEST_FRAME = 4113, LONGEST_BODY = 4092, SECTOR = 512;
const UTF8 = new TextDecoder("utf-8", { fatal: true, ignoreBOM: true });
const SIZES = [0, 1, 1, 2, 2, 4, 4, 4];

class Refused extends Error {}

function refuse(broken, why) {
  if (broken) throw new Refused(why);
}

// §3.1, bit by bit as the polynomial stands there (reflected).
const CRC_TABLE = Array.from({ length: 256 }, (_, n) => {
  for (let bit = 0; bit < 8; bit++) n = n & 1 ? (n >>> 1) ^ 0xedb88320 : n >>> 1;
  return n >>> 0;
});

function crc32(bytes) {
  let crc = 0xffffffff;
  for (const byte of bytes) crc = CRC_TABLE[(crc ^ byte) & 255] ^ (crc >>> 8);
  return (crc ^ 0xffffffff) >>> 0;
}

// §3.2; the body, or null where the frame is damaged.
function unframe(stuffed) {
  const out = [];
  for (let at = 0; at < stuffed.length; ) {
    const n = stuffed[at];
    if (at + n > stuffed.length) return null;
    for (let i = at + 1; i < at + n; i++) out.push(stuffed[i]);
    at += n;
    if (n < 255 && at < stuffed.length) out.push(0);
  }
  if (out.length < 5 || out.length > LONGEST_BODY + 4) return null;
  const body = Uint8Array.from(out.slice(0, -4));
  const crc = new DataView(Uint8Array.from(out.slice(-4)).buffer).getUint32(0, true);
  return crc32(body) === crc ? body : null;
}

class Fields {
  constructor(body, at) {
    this.body = body;
    this.view = new DataView(body.buffer, body.byteOffset, body.byteLength);
    this.at = at;
  }
  take(size, read) {
    refuse(this.at + size > this.body.length, "cut short");
    this.at += size;
    return read(this.at - size);
  }
  u8() { return this.take(1, (at) => this.view.getUint8(at)); }
  i8() { return this.take(1, (at) => this.view.getInt8(at)); }
  u16() { return this.take(2, (at) => this.view.getUint16(at, true)); }
  u32() { return this.take(4, (at) => this.view.getUint32(at, true)); }
  i32() { return this.take(4, (at) => this.view.getInt32(at, true)); }
  u64() { return Number(this.take(8, (at) => this.view.getBigUint64(at, true))); }
  i64() { return Number(this.take(8, (at) => this.view.getBigInt64(at, true))); }
  text(most, least = 0) {
    const length = this.u16();
    refuse(length > most || length < least, "length of a text");
    const bytes = this.take(length, (at) => this.body.subarray(at, at + length));
    try {
      return UTF8.decode(bytes);
    } catch {
      throw new Refused("not UTF-8");
    }
  }
  rest() { return this.body.subarray(this.at); }
}

function rawValue(view, at, type) {
  return [null, () => view.getUint8(at), () => view.getInt8(at), () => view.getUint16(at, true),
    () => view.getInt16(at, true), () => view.getUint32(at, true), () => view.getInt32(at, true),
    () => view.getFloat32(at, true)][type]();
}

// The fields of a sound frame, §5 and §6; throws Refused.
function fieldsOf(body) {
  const kind = body[0], f = new Fields(body, 1), is = { kind };
  if (kind === 0x01) {
    is.major = f.u8(); f.u8();
    if (is.major !== KNOWN_MAJOR) return is;
    is.revision = f.u8(); is.boot = f.u16(); is.clock = f.u32();
    refuse(f.u8() > 16, "streams");
    is.name = f.text(48); is.firmware = f.text(48);
  } else if (kind === 0x02) {
    is.stream = f.u8(); refuse(is.stream > 15, "stream");
    is.boot = f.u16(); is.revision = f.u8(); is.period = f.u32();
    const count = f.u8(); refuse(count < 1 || count > 64, "channels");
    is.name = f.text(48);
    is.channels = Array.from({ length: count }, () => {
      const c = { name: f.text(48, 1), unit: f.text(16), label: f.text(32) };
      c.type = f.u8(); refuse(c.type < 1 || c.type > 7, "type");
      c.index = f.u8(); const flags = f.u8();
      c.exponent = f.i8(); refuse(Math.abs(c.exponent) > 22, "exponent");
      c.multiplier = f.i32(); refuse(c.multiplier === 0, "multiplier");
      c.offset = f.i32();
      const raw = f.take(4, (at) => rawValue(f.view, at, c.type));
      c.missing = flags & 1 && !Number.isNaN(raw) ? raw : null;
      c.key = c.index ? `${c.name}_${c.index}` : c.name;
      return c;
    });
    refuse(new Set(is.channels.map((c) => c.key)).size < count, "one key twice");
  } else if (kind === 0x03) {
    is.stream = f.u8(); refuse(is.stream > 15, "stream");
    is.boot = f.u16(); is.sequence = f.u32(); is.clock = f.u32(); is.revision = f.u8();
    is.count = f.u8(); refuse(is.count === 0, "no samples");
    is.data = f.rest();
  } else if (kind === 0x04) {
    is.event = f.u8(); is.boot = f.u16(); is.sequence = f.u32(); is.clock = f.u32();
    is.number = f.u16(); is.index = f.u8(); is.text = f.text(1024);
    is.count = 1;
  } else if (kind === 0x80) {
    refuse(String.fromCharCode(...body.subarray(1, 8)) !== "Sagline", "LOG");
    f.at = 8; is.major = f.u8(); f.u8();
  } else if (kind >= 0x81 && (kind <= 0x88 || kind === 0x8f)) {
    is.monotonic = f.u64(); is.wall = f.i64();
    if (kind === 0x81) { f.text(48); f.text(1024); f.text(1024); }
    if (kind === 0x82) { f.text(48); f.text(1024); }
    if (kind === 0x83) {
      f.text(48); refuse(f.u32() > 65536, "size"); f.u32(); refuse(f.rest().length > 2048, "part");
    }
    if (kind === 0x84) { const state = f.u8(); refuse(state < 1 || state > 2, "state"); f.text(1024); }
    if (kind === 0x85) is.position = f.u64();
    if (kind === 0x86) { is.number = f.u16(); f.text(1024); }
    if (kind === 0x87) {
      const reason = f.u8(); refuse(reason < 1 || reason > 4, "reason");
      is.size = f.rest().length; refuse(is.size < 1 || is.size > 2048, "foreign bytes");
    }
    if (kind === 0x88) { is.frames = f.u32(); f.u64(); f.text(1024); }
    if (kind === 0x8f) { is.frames = f.u64(); f.u64(); f.text(1024); }
  } else is.unknownKind = true;
  return is;
}

// What the file is made of, §9: bodies of sound frames, lone zeros, damaged places.
function* pieces(log) {
  let at = 0, closed = false;
  while (at < log.length) {
    let end = at;
    if (log[at] === 0) {
      while (end < log.length && log[end] === 0) end++;
      yield { zeros: end - at };
      at = end;
      continue;
    }
    while (end < log.length && log[end] !== 0) end++;
    closed = end < log.length;
    const size = end - at + (closed ? 1 : 0);
    const body = closed && end - at <= LONGEST_FRAME ? unframe(log.subarray(at, end)) : null;
    yield body ? { body, size } : { damaged: size };
    at = end + (closed ? 1 : 0);
  }
}

// §5.4
function valueOf(c, raw) {
  if (Number.isNaN(raw) || raw === c.missing) return null;
  const power = Number(`1e${Math.abs(c.exponent)}`);
  const whole = c.type === 7 ? raw * c.multiplier + c.offset
    : Number(BigInt(raw) * BigInt(c.multiplier) + BigInt(c.offset));
  return c.exponent < 0 ? whole / power : whole * power;
}

const wrapNear = (reading, near) => reading + 2 ** 32 * Math.round((near - reading) / 2 ** 32);

function newCapture(counts) {
  counts.captures += 1;
  return { host: null, hosts: [], lastTime: null, position: 0, sure: true, frames: 0, dropped: 0,
    ended: false, segments: [], pairs: [], waiting: null };
}

function read(log) {
  const counts = Object.fromEntries(["received", "lost", "events lost", "repeated", "went back",
    "undescribed", "misfit", "unheard", "restarts under one number", "contradictions",
    "damaged places", "damaged bytes", "captures", "frames", "unknown version", "foreign",
    "missing frames", "missing bytes", "dropped"].map((name) => [name, 0]));
  const captures = [];
  let capture = null, segment = null, first = true, otherLog = false, otherBoard = false;
  let afterLog = false;

  const damage = (size) => {
    counts["damaged places"] += 1;
    counts["damaged bytes"] += size;
    if (capture) capture.sure = false;
  };
  const deviceBytes = (size) => {
    if (!capture) return;
    const waiting = capture.waiting;
    if (waiting !== null) {
      capture.waiting = null;
      const inside = waiting.position - capture.position;
      if (capture.sure && (inside < 0 || inside >= size)) counts["missing bytes"] += Math.abs(inside);
      if (inside < 0 || inside >= size) capture.position = waiting.position;
      capture.sure = true;
    }
    capture.position += size;
  };
  const begin = () => {
    capture = newCapture(counts);
    captures.push(capture);
    segment = null;
  };
  const beginSegment = (boot) => {
    segment = { capture, number: captures.length - 1, boot, records: [], clock: null, host: null,
      highest: -Infinity, counters: new Map(), afterFirst: capture.segments.length > 0 };
    capture.segments.push(segment);
  };

  for (const piece of pieces(log)) {
    if (piece.damaged) { damage(piece.damaged); continue; }
    if (piece.zeros) {
      if (piece.zeros >= SECTOR) damage(piece.zeros);
      for (let i = 0; i < piece.zeros; i++) deviceBytes(1);
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

    let broken = false;
    try { is = kind === 0x80 ? null : fieldsOf(body); } catch (error) {
      if (!(error instanceof Refused)) throw error;
    }
    if (is === null) broken = true;
    const fresh = afterLog || (capture.hosts.length === 0 && capture.frames === 0 && kind === 0x81);
    if (!device && !broken && !is.unknownKind) {
      if (kind === 0x81 && !fresh) begin();
      if (kind === 0x85 && capture.lastTime !== null && is.monotonic < capture.lastTime) begin();
      if (kind === 0x85) capture.lastTime = is.monotonic;
    }
    afterLog = false;

    if (device) {
      capture.frames += 1;
      const times = capture.waiting;
      deviceBytes(size);
      if (otherBoard && !(kind === 1 && !broken && is.major === KNOWN_MAJOR)) {
        counts["unknown version"] += 1;
        continue;
      }
      if (broken) { damage(size); capture.sure = true; continue; }
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
    if (kind === 0x85) capture.waiting = is;
    if (kind === 0x87) { counts.foreign += is.size; deviceBytes(is.size); }
    if (kind === 0x88) { counts.dropped += 1; capture.dropped += is.frames; capture.sure = false; }
    if (kind === 0x8f) {
      counts["missing frames"] += Math.max(0, is.frames - capture.dropped - capture.frames);
      capture.ended = true;
    }
  }

  // §5.7
  function place(is) {
    if (segment.clock === null) return is.clock;
    const passed = segment.host !== null && capture.host !== null ? capture.host - segment.host : 0;
    return wrapNear(is.clock, segment.clock + (passed > 2 ** 30 ? passed : 0));
  }
  function keep(is, time) {
    if (is.clock !== undefined) {
      is.time = time;
      segment.clock = time;
      segment.host = capture.host;
    }
    segment.records.push(is);
  }
  function deviceRecord(is, body, times) {
    if (segment === null || segment.boot !== is.boot) beginSegment(is.boot);
    is.pair = times;
    if (is.kind <= 2) {
      is.bytes = Buffer.from(body).toString("hex");
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
    "restarts under one number", "damaged places", "dropped", "contradictions", "unknown version",
    "missing frames", "missing bytes"].every((name) => counts[name] === 0);
  return { counts, "nothing lost": none && counts.received > 0,
    segments: segments.map((s) => ({ capture: s.number, boot: s.boot, streams: s.streams })) };
}

// §5.8, §9.1: every SAMPLES record with its STREAM; the segment's streams by name.
function describe(segment, counts) {
  const streams = segment.records.filter((r) => r.kind === 2);
  const last = new Map(), latest = new Map();
  for (const stream of streams) {
    const before = latest.get(stream.stream);
    if (before && before.revision === stream.revision && before.bytes !== stream.bytes)
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

// The last wall − monotonic that two records agree on within 1 s, §6.5.
function dated(capture) {
  const from = capture.hosts.map((h) => h.wall - h.monotonic);
  for (let i = from.length - 1; i > 0; i--)
    if (from.slice(0, i).some((other) => Math.abs(other - from[i]) <= 1e6)) {
      const date = from[i] + capture.hosts[0].monotonic;
      return date >= Date.UTC(2000, 0, 1) * 1000 ? from[i] : null;
    }
  return null;
}

// µs from the first capture's start; a segment's clock lies where its fastest delivery puts it.
function placeCaptures(captures) {
  let before = null, end = 0;
  for (const capture of captures) {
    const zero = capture.hosts.length ? capture.hosts[0].monotonic : null;
    capture.start = 0;
    if (before) {
      const was = dated(before), is = dated(capture);
      const start = was === null || is === null ? -Infinity
        : before.start + capture.hosts[0].monotonic - before.hosts[0].monotonic
          + (Math.abs(is - was) <= 1e6 ? 0 : is - was);
      capture.start = start < end ? end + 1e6 : start;
    }
    let last = capture.start;
    for (const host of capture.hosts) last = Math.max(last, capture.start + host.monotonic - zero);
    for (const segment of capture.segments) {
      let offset = Infinity;
      for (const record of segment.records)
        if (record.pair && record.time !== undefined)
          offset = Math.min(offset, capture.start + record.pair.monotonic - zero - record.time
            - (record.count - 1 || 0) * (record.period ?? 0));
      const timed = segment.records.find((r) => r.time !== undefined);
      if (offset === Infinity && timed) offset = capture.start - timed.time;
      for (const stream of Object.values(segment.streams)) {
        stream.times = stream.clocks.map((clock) => clock + offset);
        for (const time of stream.times) last = Math.max(last, time);
      }
    }
    before = capture;
    end = last;
  }
}

const logs = JSON.parse(readFileSync(0, "utf8"));
process.stdout.write(JSON.stringify(logs.map((hex) => read(Buffer.from(hex, "hex")))));
