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

    def late(self, size):
        """A field that may be lacking at the end."""
        return self.u(size) if len(self.left) >= size else None

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
        "name": name,
        "unit": unit,
        "type": kind,
        "multiplier": multiplier,
        "offset": offset,
        "exponent": exponent,
        "index": index,
        "label": label,
        "missing": missing,
    }


def board(f):
    version = [f.u(1), f.u(1)]
    if version[0] != 1:
        return {
            "record": "BOARD",
            "version": version,
            "revision": 0,
            "boot": 0,
            "clock": 0,
            "streams": 0,
            "name": "",
            "firmware": "",
        }
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


def raw(f):
    form, use = f.u(1), f.u(1)
    if form not in (1, 2) or use not in (0, 1, 2) or not 1 <= len(f.left) <= 2048:
        raise Refused("raw")
    return {"form": form, "use": use, "data": f.left.hex()}


KINDS = {
    0x01: board,
    0x02: stream,
    0x03: samples,
    0x04: event,
    0x80: log,
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
        lambda f: {"frames": f.u(4), "size": f.u(8), "reason": f.text(1024), "device": f.late(8)}
    ),
    0x89: host("RAW")(raw),
    0x8F: host("END")(lambda f: {"frames": f.u(8), "foreign": f.u(8), "reason": f.text(1024)}),
}


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
    if c["type"] == 7:
        whole = float(raw) * c["multiplier"] + c["offset"]  # IEEE 754 rounds each
    else:
        exact = raw * c["multiplier"] + c["offset"]
        whole = exact if abs(exact) < 2**53 else float(exact)
    if math.isinf(whole):
        return whole
    return float(Fraction(whole) * Fraction(10) ** c["exponent"])


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


# Starts, captures and counts (§5.7, §5.8, §6.5, §7, §9.1).


def places(log_bytes):
    """Sound frames and damaged places (§9.1), as (offset, size, body or None) in order, and where
    the byte stream of the device goes on in between: lone zeros as (offset, 1, b"")."""
    out = []
    at = 0
    long = False  # bytes of a place that began before
    for verdict, raw, body in pieces(log_bytes, from_device=False):
        if verdict == "padding":
            out.append((at, 1, b""))
        elif long:
            where, size, _ = out[-1]
            out[-1] = (where, size + len(raw), None)
        else:
            out.append((at, len(raw), body))
        long = verdict == "too long" and raw[-1] != 0
        at += len(raw)
    return out


def is_late(before, clock, host, host_before):
    """The unwrapped reading (§5.7, Clock)."""
    if before is None:
        return clock
    near = before
    if host is not None and host_before is not None and host - host_before > 2**30:
        near += host - host_before
    return near + (clock - near + 2**31) % 2**32 - 2**31


class Start:
    """One segment while it is read."""

    def __init__(self, capture, boot):
        self.capture, self.boot = capture, boot
        self.counters = {}  # due number, clock and the last 64 bodies, by stream or "events"
        self.time = self.host = None
        self.highest = -math.inf
        self.first = {}  # first sequence of each stream
        self.said = []  # (place, STREAM record)
        self.packed = []  # (place, SAMPLES record)
        self.front = None  # place of the last BOARD with nothing but repeated ones behind it

    def look(self, clock, host):
        return is_late(self.time, clock, host, self.host)

    def note(self, time, host):
        self.time = time
        if host is not None:
            self.host = host


def account(log_bytes):
    """What a reader counts of a whole log (§9.1), its segments and its values."""
    counts = dict.fromkeys(
        (
            "received",
            "lost",
            "events lost",
            "repeated",
            "went back",
            "undescribed",
            "misfit",
            "unheard",
            "restarts under one number",
            "contradictions",
            "damaged places",
            "damaged bytes",
            "captures",
            "frames",
            "unknown version",
            "foreign",
            "dropped frames",
            "missing frames",
            "missing bytes",
        ),
        0,
    )
    starts = []
    capture = 0
    host = time_before = None
    fresh = ended = False
    device_known = file_known = True
    anything = False
    dropped = event = unread = False
    ledger = Ledger()
    zeros = 0
    everything = [*places(log_bytes), (len(log_bytes), 0, None)]
    for place, (_, size, body) in enumerate(everything):
        if body == b"":
            zeros += 1
            ledger.other()
            continue
        ledger.device(zeros)
        if zeros >= 512:
            counts["damaged places"] += 1
            counts["damaged bytes"] += zeros
        zeros = 0
        if body is None:
            ledger.other()
            counts["damaged places"] += size > 0
            counts["damaged bytes"] += size
            continue
        kind = body[0]
        if kind != 0x87:
            ledger.other()
        # A new capture (§6.5) begins with a record that may be of another version (§7).
        is_log = kind == 0x80 and body[1:8] == b"Sagline" and len(body) >= 10
        if is_log:
            file_known, device_known = body[8] == 1, True
        elif kind == 0x01 and len(body) >= 3 and file_known:
            device_known = body[1] == 1
        known = file_known and (device_known or kind >= 0x80)
        try:
            what = record(body) if known else None
            sound = True
        except Refused:
            what, sound = None, False
            counts["damaged places"] += 1
            counts["damaged bytes"] += size
        counts["unknown version"] += not known
        name = what["record"] if what else ""
        begins = is_log or (name == "CAPTURE" and not fresh)
        begins |= ended and name != "CAPTURE"
        begins |= name == "TIME" and time_before is not None and what["monotonic"] < time_before
        fresh, ended = is_log, name == "END"
        if begins:
            if anything:
                capture += 1
                ledger.close(counts)
                ledger = Ledger()
            host = time_before = None
        anything = True
        if kind < 0x80:
            counts["frames"] += 1
            ledger.frames += 1
            ledger.device(size)
        if not sound or what is None or name == "unknown":
            continue
        if name == "FOREIGN":
            ledger.foreign += len(what["data"]) // 2
            counts["foreign"] += len(what["data"]) // 2
        event |= name == "EVENT"
        if name == "DROPPED":
            dropped = True
            ledger.dropped += what["frames"]
            counts["dropped frames"] += what["frames"]
            ledger.device(what["device"] or 0)
            ledger.unknown += what["size"] if what["device"] is None else 0
        unread |= name == "RAW" and what["use"] == 1
        if name == "TIME":
            ledger.position = what["position"]
            time_before = what["monotonic"]
        if name == "END":
            ledger.counted = what["frames"]
        if kind >= 0x80:
            host = what.get("monotonic", host)
            continue
        take(starts, capture, place, what, body, host, counts)
    ledger.close(counts)
    counts["captures"] = capture + 1
    values = read_samples(starts, counts)
    heard = set()  # captures of which a start was met
    for start in starts:
        if start.capture in heard:
            counts["unheard"] += sum(start.first.values())
        heard.add(start.capture)
    never = counts.keys() - {
        "received",
        "repeated",
        "damaged bytes",
        "captures",
        "frames",
        "foreign",
    }
    told = counts["received"] > 0 or event
    understood = told if counts["foreign"] else bool(starts)
    whole = not (dropped or unread or any(counts[key] for key in never)) and understood
    return {
        "counts": counts,
        "segments": [{"capture": s.capture, "boot": s.boot} for s in starts],
        "values": values,
        "nothing lost": whole,
    }


def take(starts, capture, place, what, body, host, counts):
    """One device record in its place (§5.7)."""
    start = starts[-1] if starts else None
    if start is None or start.capture != capture or start.boot != what["boot"]:
        start = Start(capture, what["boot"])
        starts.append(start)
    name = what["record"]
    if name == "STREAM":
        start.said.append((place, what))
        return
    if name == "BOARD":
        time = start.look(what["clock"], host)
        if start.time is not None and not start.counters and time < start.time:
            counts["restarts under one number"] += 1
            start = Start(capture, what["boot"])
            starts.append(start)
            time = start.look(what["clock"], host)
        start.note(time, host)
        start.front = place
        return
    counter = what["stream"] if name == "SAMPLES" else "events"
    count = what["count"] if name == "SAMPLES" else 1
    time = start.look(what["clock"], host)
    own = start.counters.get(counter)
    step = 0 if own is None else (what["sequence"] - own["due"]) % 2**32
    if own is not None and step >= 2**31:
        if body in own["before"]:
            counts["repeated"] += 1
            return
        if own["clock"] <= time <= start.highest + 1_000_000:
            counts["went back"] += 1
            step = 0
        else:
            counts["restarts under one number"] += 1
            new = Start(capture, what["boot"])
            if start.front is not None:  # it begins with that BOARD, and what was said since
                new.said = [one for one in start.said if one[0] > start.front]
                start.said = [one for one in start.said if one[0] < start.front]
            starts.append(new)
            start, own, step = new, None, 0
            time = start.look(what["clock"], host)
    if own is None:
        own = start.counters[counter] = {"before": []}
        if counter != "events":
            start.first[counter] = what["sequence"]
    start.front = None
    start.note(time, host)
    start.highest = max(start.highest, time)
    own |= {"due": (what["sequence"] + count) % 2**32, "clock": time}
    own["before"] = [*own["before"], body][-64:]
    counts["lost" if counter != "events" else "events lost"] += step
    if counter != "events":
        start.packed.append((place, what))


def read_samples(starts, counts):
    """Each SAMPLES record by the STREAM that holds for it (§5.8); the first channel's values."""
    values = []
    for start in starts:
        latest, revision = {}, {}
        for _, said in start.said:
            own = said["stream"], said["revision"]
            same = revision.get(said["stream"]) == said["revision"]
            counts["contradictions"] += same and latest[own] != said
            latest[own] = said
            revision[said["stream"]] = said["revision"]
        for place, packed in start.packed:
            of = [
                (at, said)
                for at, said in start.said
                if (said["stream"], said["revision"]) == (packed["stream"], packed["revision"])
            ]
            before = [said for at, said in of if at < place]
            if not of:
                counts["undescribed"] += packed["count"]
                continue
            described = before[-1] if before else of[0][1]
            try:
                got = rows(described, packed)
            except Refused:
                counts["misfit"] += packed["count"]
                continue
            counts["received"] += packed["count"]
            values += [row[0] for row in got if described["channels"][0]["name"] == "n"]
    return values


class Ledger:
    """Whether a capture has all its bytes, by TIME and END (§6.3)."""

    def __init__(self):
        self.bytes = self.frames = self.dropped = self.foreign = self.unknown = self.missing = 0
        self.position = self.counted = None

    def device(self, size):
        """Device bytes; the last TIME's position must lie in them, or before."""
        if self.position is not None and size:
            behind = self.position - (self.bytes + size - 1)
            if self.position < self.bytes:
                self.bytes = self.position
            elif behind > 0:
                explained = min(behind, self.unknown)
                self.unknown -= explained
                self.missing += behind - explained
                self.bytes += behind
            self.position = None
        self.bytes += size

    def other(self):
        """Something else than FOREIGN stands here."""
        self.device(self.foreign)
        self.foreign = 0

    def close(self, counts):
        self.other()
        counts["missing bytes"] += self.missing
        if self.counted is not None:
            counts["missing frames"] += max(0, self.counted - self.frames - self.dropped)
