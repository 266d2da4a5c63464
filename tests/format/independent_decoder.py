"""A second decoder, written from ``protocol_docs/frame_format.md`` alone.

It imports nothing of Sagline's, works bit by bit where that is the definition, and prefers the
words of the document to speed.  Section numbers are the document's.
"""

import math
from fractions import Fraction


class Refused(Exception):
    """A sound frame whose fields break the rules of its record (§9)."""


def crc32(data):
    """CRC-32/ISO-HDLC, one bit at a time (§3.1)."""
    register = 0xFFFFFFFF
    for byte in data:
        for bit in range(8):
            top = (register >> 31) ^ (byte >> bit & 1)  # input reflected: lowest bit first
            register = register << 1 & 0xFFFFFFFF
            if top:
                register ^= 0x04C11DB7
    return int(f"{register:032b}"[::-1], 2) ^ 0xFFFFFFFF  # output reflected


def unstuff(stuffed):
    """§3.2; None where the last block is not whole."""
    out = []
    at = 0
    while at < len(stuffed):
        n = stuffed[at]
        if at + n > len(stuffed):
            return None
        out += stuffed[at + 1 : at + n]
        at += n
        if n < 255 and at < len(stuffed):
            out.append(0)
    return bytes(out)


def stuff(data):
    """§3.2, as written there: with the empty block after a full one at the end."""
    data = data + b"\0"
    out = b""
    while data:
        n = data.index(0)
        if n >= 254:
            out += b"\xff" + data[:254]
            data = data[254:]
        else:
            out += bytes([n + 1]) + data[:n]
            data = data[n + 1 :]
    return out


def frame(body):
    """The frame of a body (§3)."""
    return stuff(body + crc32(body).to_bytes(4, "little")) + b"\0"


def body_of(encoded):
    """The body of a frame given without its zero, or None where it is damaged (§9)."""
    plain = unstuff(encoded)
    if plain is None or not 5 <= len(plain) <= 4096:
        return None
    body, check = plain[:-4], plain[-4:]
    return body if crc32(body) == int.from_bytes(check, "little") else None


def pieces(stream, from_device=True):
    """The verdicts of §9 on a whole byte stream: (verdict, bytes, body or None)."""
    out = []
    while stream:
        cut = stream.find(0) + 1
        part, stream = (stream[:cut], stream[cut:]) if cut else (stream, b"")
        run = len(part) - (1 if cut else 0)
        if part == b"\0":
            out.append(("padding", part, None))
        elif run > 4113:
            while run > 4113:
                out.append(("too long", part[:4113], None))
                part, run = part[4113:], run - 4113
            out.append(("too long", part, None))
        elif not cut:
            out.append(("unfinished", part, None))
        else:
            body = body_of(part[:-1])
            if body is None:
                out.append(("damaged", part, None))
            elif from_device and body[0] >= 0x80:
                out.append(("host kind", part, body))
            else:
                out.append(("sound", part, body))
    return out


class Fields:
    """Takes fields off a body, in the order of the tables."""

    def __init__(self, body):
        self.left = body[1:]

    def bytes(self, size):
        if size > len(self.left):
            raise Refused("cut short")
        taken, self.left = self.left[:size], self.left[size:]
        return taken

    def u(self, size):
        return int.from_bytes(self.bytes(size), "little")

    def i(self, size):
        return int.from_bytes(self.bytes(size), "little", signed=True)

    def text(self, limit):
        size = self.u(2)
        if size > limit:
            raise Refused("over a limit")
        try:
            return self.bytes(size).decode("utf-8")
        except UnicodeDecodeError:
            raise Refused("not UTF-8") from None


SIZES = {1: 1, 2: 1, 3: 2, 4: 2, 5: 4, 6: 4, 7: 4}


def raw_sample(data, kind):
    """One raw sample of a type code (§5.3)."""
    if kind == 7:
        return binary32(int.from_bytes(data, "little"))
    return int.from_bytes(data, "little", signed=kind in (2, 4, 6))


def binary32(bits):
    """IEEE 754 binary32 from its bits."""
    sign = -1 if bits >> 31 else 1
    exponent, fraction = bits >> 23 & 0xFF, bits & 0x7FFFFF
    if exponent == 0xFF:
        return math.nan if fraction else sign * math.inf
    if exponent == 0:
        return sign * math.ldexp(fraction, -149)
    return sign * math.ldexp(fraction | 1 << 23, exponent - 150)


def channel(fields):
    name, unit, label = fields.text(48), fields.text(16), fields.text(32)
    kind, index, flags, exponent = fields.u(1), fields.u(1), fields.u(1), fields.i(1)
    multiplier, offset, code = fields.i(4), fields.i(4), fields.bytes(4)
    if not name or kind not in SIZES or multiplier == 0 or not -22 <= exponent <= 22:
        raise Refused("a channel against the rules")
    missing = raw_sample(code[: SIZES[kind]], kind) if flags & 1 else None
    if missing is not None and missing != missing:
        missing = None
    return {
        "name": name, "unit": unit, "type": kind, "multiplier": multiplier, "offset": offset,
        "exponent": exponent, "index": index, "label": label, "missing": missing,
    }  # fmt: skip


def board(f):
    version = [f.u(1), f.u(1)]
    if version[0] != 1:
        return {
            "record": "BOARD", "version": version, "revision": 0, "boot": 0, "clock": 0,
            "streams": 0, "name": "", "firmware": "",
        }  # fmt: skip
    out = {"record": "BOARD", "version": version, "revision": f.u(1), "boot": f.u(2)}
    out |= {"clock": f.u(4), "streams": f.u(1)}
    if out["streams"] > 16:
        raise Refused("streams")
    return out | {"name": f.text(48), "firmware": f.text(48)}


def stream(f):
    out = {"record": "STREAM", "stream": f.u(1), "boot": f.u(2), "revision": f.u(1)}
    out["period"] = f.u(4)
    count = f.u(1)
    if out["stream"] > 15 or not 1 <= count <= 64:
        raise Refused("stream or count")
    out["name"] = f.text(48)
    out["channels"] = [channel(f) for _ in range(count)]
    if len({key(c) for c in out["channels"]}) < count:
        raise Refused("a key twice")
    return out


def key(c):
    return f"{c['name']}_{c['index']}" if c["index"] else c["name"]


def samples(f):
    out = {"record": "SAMPLES", "stream": f.u(1), "boot": f.u(2), "sequence": f.u(4)}
    out |= {"clock": f.u(4), "revision": f.u(1), "count": f.u(1)}
    if out["stream"] > 15 or out["count"] == 0:
        raise Refused("stream or count")
    return out | {"data": f.left.hex()}


def event(f):
    out = {"record": "EVENT", "event": f.u(1), "boot": f.u(2), "sequence": f.u(4)}
    return out | {"clock": f.u(4), "number": f.u(2), "index": f.u(1), "text": f.text(1024)}


def log(f):
    if f.bytes(7) != b"Sagline":
        raise Refused("signature")
    return {"record": "LOG", "version": [f.u(1), f.u(1)]}


def host(name):
    def with_clocks(rest):
        return lambda f: {"record": name, "monotonic": f.u(8), "wall": f.i(8)} | rest(f)

    return with_clocks


def file(f):
    out = {"name": f.text(48), "size": f.u(4), "offset": f.u(4), "data": f.left.hex()}
    if out["size"] > 65536 or len(f.left) > 2048 or out["offset"] + len(f.left) > out["size"]:
        raise Refused("file")
    return out


def link(f):
    state = f.u(1)
    if state not in (1, 2):
        raise Refused("link state")
    return {"state": state, "evidence": f.text(1024)}


def foreign(f):
    reason = f.u(1)
    if reason not in (1, 2, 3, 4) or not 1 <= len(f.left) <= 2048:
        raise Refused("foreign")
    return {"reason": reason, "data": f.left.hex()}


KINDS = {
    0x01: board, 0x02: stream, 0x03: samples, 0x04: event, 0x80: log,
    0x81: host("CAPTURE")(
        lambda f: {"program": f.text(48), "source": f.text(1024), "note": f.text(1024)}
    ),
    0x82: host("SETTING")(lambda f: {"name": f.text(48), "value": f.text(1024)}),
    0x83: host("FILE")(file),
    0x84: host("LINK")(link),
    0x85: host("TIME")(lambda f: {"position": f.u(8)}),
    0x86: host("MARK")(lambda f: {"number": f.u(2), "text": f.text(1024)}),
    0x87: host("FOREIGN")(foreign),
    0x88: host("DROPPED")(
        lambda f: {"frames": f.u(4), "size": f.u(8), "reason": f.text(1024)}
    ),
    0x8F: host("END")(lambda f: {"frames": f.u(8), "foreign": f.u(8), "reason": f.text(1024)}),
}  # fmt: skip


def record(body):
    """The record in a body (§4 to §6); a kind not in the tables is ``unknown``."""
    decode = KINDS.get(body[0])
    return decode(Fields(body)) if decode else {"record": "unknown", "body": body.hex()}


def records(bodies):
    """The records of a run of bodies, another major version's kept undecoded (§7)."""
    out = []
    known = True
    for body in bodies:
        if known or body[0] == 0x01 or body[0] >= 0x80:
            out.append(record(body))
            if body[0] == 0x01:
                known = out[-1]["version"][0] == 1
        else:
            out.append({"record": "unknown", "body": body.hex()})
    return out


def rows(described, packed):
    """The raw samples of a SAMPLES record by its STREAM record (§5.5)."""
    sizes = [SIZES[c["type"]] for c in described["channels"]]
    data = bytes.fromhex(packed["data"])
    if len(data) != packed["count"] * sum(sizes):
        raise Refused("length")
    if described["period"] == 0 and packed["count"] != 1:
        raise Refused("several samples of an irregular stream")
    out = []
    while data:
        row = []
        for c, size in zip(described["channels"], sizes, strict=True):
            row.append(raw_sample(data[:size], c["type"]))
            data = data[size:]
        out.append(row)
    return out


def value(c, raw):
    """The double nearest to a raw sample's value, None for "no reading" (§5.4)."""
    if raw == c["missing"] or raw != raw:
        return None
    whole = Fraction(raw) * c["multiplier"] + c["offset"]
    return float(whole * Fraction(10) ** c["exponent"])


def lost(before, after):
    """Samples lost between two SAMPLES records of one boot and stream (§5.7)."""
    return (after["sequence"] - before["sequence"] - before["count"]) % 2**32


def unwrap(readings):
    """Times in µs of 32-bit readings of one boot (§5.7)."""
    out = []
    for reading in readings:
        full = reading
        if out:
            full += (out[-1] // 2**32) * 2**32
            full = min((full - 2**32, full, full + 2**32), key=lambda t: abs(t - out[-1]))
        out.append(full)
    return out


def received(log_bytes):
    """The device's byte stream, rebuilt from a log (§6.4)."""
    out = b""
    for verdict, raw, body in pieces(log_bytes, from_device=False):
        if verdict == "padding" or (verdict == "sound" and body[0] < 0x80):
            out += raw
        elif verdict == "sound" and body[0] == 0x87:
            out += bytes.fromhex(record(body)["data"])
    return out
