// Bytes to records: frames, fields and values, §3 to §6 and §9 of protocol_docs/frame_format.md.
// With reading.mjs a decoder in another language, written from that text alone: none of our readers
// was opened while it was made, and no code is shared with them.
export const KNOWN_MAJOR = 1, SECTOR = 512;
const LONGEST_FRAME = 4113, LONGEST_BODY = 4092;
const UTF8 = new TextDecoder("utf-8", { fatal: true, ignoreBOM: true });
export const SIZES = [0, 1, 1, 2, 2, 4, 4, 4];

export class Refused extends Error {}

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

export function rawValue(view, at, type) {
  return [null, () => view.getUint8(at), () => view.getInt8(at), () => view.getUint16(at, true),
    () => view.getInt16(at, true), () => view.getUint32(at, true), () => view.getInt32(at, true),
    () => view.getFloat32(at, true)][type]();
}

// The fields of a sound frame, §5 and §6; throws Refused.
export function fieldsOf(body) {
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
  } else if (kind >= 0x81 && (kind <= 0x89 || kind === 0x8f)) {
    is.monotonic = f.u64(); is.wall = f.i64();
    if (kind === 0x81) { f.text(48); f.text(1024); f.text(1024); }
    if (kind === 0x82) { f.text(48); f.text(1024); }
    if (kind === 0x83) {
      f.text(48);
      const whole = f.u32(), offset = f.u32(), part = f.rest().length;
      refuse(whole > 65536 || part > 2048 || offset + part > whole, "part of a file");
    }
    if (kind === 0x84) { const state = f.u8(); refuse(state < 1 || state > 2, "state"); f.text(1024); }
    if (kind === 0x85) is.position = f.u64();
    if (kind === 0x86) { is.number = f.u16(); f.text(1024); }
    if (kind === 0x87) {
      const reason = f.u8(); refuse(reason < 1 || reason > 4, "reason");
      is.size = f.rest().length; refuse(is.size < 1 || is.size > 2048, "foreign bytes");
    }
    if (kind === 0x88) {
      is.frames = f.u32(); is.size = f.u64(); f.text(1024);
      is.device = f.rest().length >= 8 ? f.u64() : null;
    }
    if (kind === 0x89) {
      const form = f.u8();
      is.use = f.u8();
      is.size = f.rest().length;
      refuse(form < 1 || form > 2 || is.use > 2, "form or use");
      refuse(is.size < 1 || is.size > 2048, "raw bytes");
    }
    if (kind === 0x8f) { is.frames = f.u64(); f.u64(); f.text(1024); }
  } else is.unknownKind = true;
  return is;
}

// What the file is made of, §9: bodies of sound frames, lone zeros, damaged places.
export function* pieces(log) {
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
export function valueOf(c, raw) {
  if (Number.isNaN(raw) || raw === c.missing) return null;
  const power = Number(`1e${Math.abs(c.exponent)}`);
  const whole = c.type === 7 ? raw * c.multiplier + c.offset
    : Number(BigInt(raw) * BigInt(c.multiplier) + BigInt(c.offset));
  return c.exponent < 0 ? whole / power : whole * power;
}
