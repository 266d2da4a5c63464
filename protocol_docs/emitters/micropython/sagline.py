"""Sagline emitter for MicroPython and CPython: makes a board speak protocol_docs/frame_format.md.

The same calls as ``c/sagline.h``, and the same bytes.  The § are sections of frame_format.md.
How to use it: protocol_docs/emitters/README.md.  MIT licence.
"""

import struct
import time
from binascii import crc32

U8, I8, U16, I16, U32, I32, F32 = range(1, 8)  # sample types, §5.3
FAULT, CLEARED, NOTE = 1, 2, 3  # events, §5.6
_LETTERS = "?BbHhIif"
_BOUNDS = (
    (0, 0),
    (0, 255),
    (-128, 127),
    (0, 65535),
    (-32768, 32767),
    (0, 2**32 - 1),
    (-(2**31), 2**31 - 1),
)
_MODULUS = 2**32

# What is wrong with a description (§5.9), by the names and numbers of c/sagline.h.
BAD_STREAMS, BAD_CHANNELS, BAD_CHANNEL, BAD_TWICE, BAD_BUFFER, BAD_TEXT = range(1, 7)
_NAMES = ["OK", "BAD_STREAMS", "BAD_CHANNELS", "BAD_CHANNEL", "BAD_TWICE", "BAD_BUFFER", "BAD_TEXT"]

_BACK = 0xFC000000  # a clock that seems to have gone on by 70.5 minutes or more went back a little


class BadDescription(ValueError):
    """What no reader could use: ``code`` as in c/sagline.h, and the place of it from 0; ``stream``
    is None for a text of the board or the log, ``channel`` for the stream itself."""

    def __init__(self, code, words, stream=None, channel=None):
        place = "" if stream is None else "stream " + str(stream)
        place += "" if channel is None else ", channel " + str(channel)
        super().__init__(_NAMES[code] + (" in " + place if place else "") + ": " + words)
        self.code = code
        self.stream = stream
        self.channel = channel


def _is_text(words, most):
    """Whether a text is UTF-8 (RFC 3629) of ``most`` bytes; a board's own strings need not be."""
    try:
        data = words.encode()
    except UnicodeError:  # half a surrogate pair
        return False
    more = 0
    least, high = 0x80, 0xBF  # of the next byte of a character
    for byte in data:
        if more:
            if not least <= byte <= high:
                return False
            least, high = 0x80, 0xBF
            more -= 1
        elif byte >= 0x80:
            if not 0xC2 <= byte <= 0xF4:
                return False
            more = 1 if byte < 0xE0 else 2 if byte < 0xF0 else 3
            least = 0xA0 if byte == 0xE0 else 0x90 if byte == 0xF0 else 0x80
            high = 0x9F if byte == 0xED else 0x8F if byte == 0xF4 else 0xBF
    return not more and len(data) <= most


def _no_text(most):
    return "a text over " + str(most) + " bytes, or not UTF-8"


class Clock:
    """The device's clock in µs, from 0.  MicroPython's ``ticks_us`` wraps too early for §5.7; this
    carries it on.  Read it at least every four minutes (half of the shortest wrap, 2**29 µs)."""

    def __init__(self):
        self._ticks = time.ticks_us() if hasattr(time, "ticks_us") else time.monotonic_ns() // 1000
        self._now = 0

    def __call__(self):
        """Return the time since the start in µs."""
        if hasattr(time, "ticks_us"):
            ticks = time.ticks_us()
            self._now += time.ticks_diff(ticks, self._ticks)
        else:
            ticks = time.monotonic_ns() // 1000
            self._now += ticks - self._ticks
        self._ticks = ticks
        return self._now


def frame(body):
    """Return a body with its CRC, stuffed, with the closing zero (§3)."""
    data = body + struct.pack("<I", crc32(body) & 0xFFFFFFFF)
    out = bytearray()
    start = 0
    while True:
        zero = data.find(b"\0", start, start + 254)
        end = min(start + 254, len(data)) if zero < 0 else zero
        out.append(end - start + 1)
        out += data[start:end]
        start = end if zero < 0 else end + 1
        if zero < 0 and end == len(data):
            out.append(0)
            return bytes(out)


def text(words, most):
    """Return a text field, cut between two characters where it is over ``most`` bytes."""
    data = words.encode()
    if len(data) > most:
        while most and data[most] & 0xC0 == 0x80:
            most -= 1
    data = data[:most]
    return struct.pack("<H", len(data)) + data


class Channel:
    """One channel: value = (raw × multiplier + offset) × 10^exponent in ``unit`` (§5.4).

    ``index`` 0 is the whole vehicle, else motor, cell or sensor from 1; ``missing`` is the raw
    value that means "no reading".  The :class:`Emitter` refuses what the format does not allow.
    """

    def __init__(
        self, name, unit, type, multiplier=1, exponent=0, offset=0, index=0, label="", missing=None
    ):
        self.fault = None  # code and words
        if not name or not 1 <= type <= 7 or not multiplier or not -22 <= exponent <= 22:
            self.fault = BAD_CHANNEL, "no name, unknown type, multiplier 0 or exponent beyond 22"
        for words, most in ((label, 32), (unit, 16), (name, 48)):
            if not _is_text(words, most):
                self.fault = BAD_TEXT, _no_text(most)
        if self.fault:
            return
        self.key = name + ("_" + str(index) if index else "")
        self.type = type
        self.missing = missing
        code = b"\0\0\0\0"
        if missing is not None:
            code = (struct.pack("<" + _LETTERS[type], missing) + code)[:4]
        self.body = text(name, 48) + text(unit, 16) + text(label, 32)
        self.body += struct.pack(
            "<BBBbii", type, index, missing is not None, exponent, multiplier, offset
        )
        self.body += code

    def fit(self, value):
        """Return the raw value that is sent: None, and what does not fit, as ``missing``; in a
        channel that has none, the nearest that fits."""
        if self.type == F32:
            return float("nan") if value is None else value
        least, most = _BOUNDS[self.type]
        if value is None:
            return least if self.missing is None else self.missing
        if least <= value <= most:
            return value
        if self.missing is not None:
            return self.missing
        return least if value < least else most


class Stream:
    """Channels sampled together every ``period`` µs (0: irregular), ``together`` to a frame."""

    def __init__(self, name, period, channels, together=1):
        self.name = name
        self.period = period
        self.channels = channels
        self.together = together if period else 1
        self.rows = []
        self.sequence = 0
        self.clock = 0
        self.last = None
        self.layout = ""

    def check(self, number):
        """Refuse what no reader could use (§5.9): raises BadDescription."""
        if not _is_text(self.name, 48):
            raise BadDescription(BAD_TEXT, _no_text(48), number)
        if not 1 <= len(self.channels) <= 64:
            raise BadDescription(BAD_CHANNELS, "not 1 to 64 channels", number)
        keys = set()
        for place, channel in enumerate(self.channels):
            if channel.fault:
                raise BadDescription(channel.fault[0], channel.fault[1], number, place)
            if channel.key in keys:
                words = "another channel has the key " + channel.key
                raise BadDescription(BAD_TWICE, words, number, place)
            keys.add(channel.key)
        self.layout = "<" + "".join([_LETTERS[c.type] for c in self.channels])
        if len(self.body(0, 0, 0)) > 4092:
            raise BadDescription(BAD_CHANNELS, "more text than a frame holds", number)
        size = 14 + struct.calcsize(self.layout) * self.together
        if not 1 <= self.together <= 255 or size > 4092:
            raise BadDescription(BAD_BUFFER, "not 1 to 255 samples that fit a frame", number)

    def body(self, number, boot, revision):
        """Return the body of the STREAM record."""
        head = struct.pack("<BBHBIB", 2, number, boot, revision, self.period, len(self.channels))
        return head + text(self.name, 48) + b"".join([c.body for c in self.channels])


class Emitter:
    """Makes frames of samples and events and gives each to ``write`` (bytes), whole.

    ``ready`` (a size) says whether a frame may be written now; where not, the whole frame is left
    out and its samples' numbers go on, so that the reader counts exactly what is missing.  ``boot``
    must differ from the last start's: counted up in a file, or random (§5.7).

    Raises BadDescription, as ``begin``, ``log_begin`` and ``changed`` do, for what no reader could
    use (§5.9); nothing is written then.
    """

    def __init__(self, write, board, firmware, boot, streams, ready=None, repeat=4_000_000):
        self.write = write
        self.ready = ready
        self.board = board
        self.firmware = firmware
        self.boot = boot
        self.streams = streams
        self.repeat = repeat
        self.revision = 0
        self.events = 0
        self.logging = False
        self.timed = None
        self.frames = 0
        self.position = 0
        self.monotonic = 0
        self.wall_offset = 0
        self._next = 0
        self._owed = False
        self._described = 0
        self._check()

    # Starting

    def _check(self):
        if len(self.streams) > 16:
            raise BadDescription(BAD_STREAMS, str(len(self.streams)) + " streams, over 16")
        for words in (self.board, self.firmware):
            if not _is_text(words, 48):
                raise BadDescription(BAD_TEXT, _no_text(48))
        for number, stream in enumerate(self.streams):
            stream.check(number)

    def begin(self, clock):
        """Check and send the description behind one zero, which ends whatever a boot message
        began."""
        self._check()
        self.write(b"\0")
        self._describe(clock)

    def joined(self, clock):
        """A listener joined (BLE: it subscribed): drop what waits, send the description."""
        for stream in self.streams:
            stream.sequence += len(stream.rows)
            stream.rows = []
        self._describe(clock)

    def change(self):
        """Send what waits, before streams or scales change; after the change call ``changed``."""
        for number in range(len(self.streams)):
            self.flush(number)

    def changed(self, clock):
        """Check the changed description and send it with the next revision (§5.8)."""
        self._check()
        self.revision = (self.revision + 1) % 256
        self._describe(clock)

    # Device records (§5)

    def idle(self, clock):
        """Send what is due of the description; ``sample`` and ``event`` do it by themselves."""
        self._advance(clock)
        for stream in self.streams:  # a long silence is counted before the clock wraps
            if stream.period and stream.last is not None and not stream.rows:
                since = (clock - stream.last) % _MODULUS
                if 2**30 <= since < _BACK:
                    skipped = max(since // stream.period - 1, 0)  # the next sample is a step more
                    stream.sequence += skipped
                    stream.last += skipped * stream.period
        if self._next > len(self.streams) and (clock - self._described) % _MODULUS >= self.repeat:
            self._next = 0
        while self._next <= len(self.streams):
            done = self.send_stream(self._next - 1) if self._next else self.send_board(clock)
            if not done:
                return
            if self._next == 0:
                self._described = clock
            self._next += 1
        self._owed = False

    def sample(self, number, clock, values):
        """Take one sample: a raw value for each channel in order (None: no reading), read at
        ``clock`` µs.  One that comes later than its period skips the numbers of those that were not
        taken, so that they show as lost (§5.7)."""
        stream = self.streams[number]
        self.idle(clock)
        if stream.period and stream.last is not None:
            half = stream.period // 2
            since = (clock - stream.last) % _MODULUS
            off = (clock - stream.clock - len(stream.rows) * stream.period) % _MODULUS
            steps = (since + half) // stream.period if since < _BACK else 1
            # A frame says the clock of its first sample only; one that strays begins a new frame.
            if stream.rows and (steps > 1 or (off + half) % _MODULUS > 2 * half):
                self.flush(number)
            if steps > 1:
                stream.sequence += steps - 1
        if not stream.rows:
            stream.clock = clock
        fitted = [c.fit(value) for c, value in zip(stream.channels, values)]  # noqa: B905
        stream.rows.append(struct.pack(stream.layout, *fitted))
        stream.last = clock
        if len(stream.rows) == stream.together:
            self.flush(number)

    def flush(self, number):
        """Send the samples that wait in a stream."""
        stream = self.streams[number]
        count = len(stream.rows)
        if count:
            head = struct.pack(
                "<BBHIIBB",
                3,
                number,
                self.boot,
                stream.sequence % _MODULUS,
                stream.clock % _MODULUS,
                self.revision,
                count,
            )
            self.send(head + b"".join(stream.rows))
        stream.sequence += count
        stream.rows = []

    def skip(self, number, samples):
        """Leave out the numbers of samples that the board could not take; they show as lost."""
        self.flush(number)
        self.streams[number].sequence += samples
        self.streams[number].last = None

    def event(self, event, number, index, words, clock):
        """Send a fault, its end (same number and index) or a note."""
        self.idle(clock)
        head = struct.pack(
            "<BBHIIHB", 4, event, self.boot, self.events % _MODULUS, clock % _MODULUS, number, index
        )
        self.send(head + text(words, 1024))
        self.events += 1

    def board_body(self, clock):
        """Return the body of the BOARD record."""
        count = len(self.streams)
        clock %= _MODULUS
        head = struct.pack("<BBBBHIB", 1, 1, 0, self.revision, self.boot, clock, count)
        return head + text(self.board, 48) + text(self.firmware, 48)

    def send_board(self, clock):
        """Send one BOARD frame."""
        return self.send(self.board_body(clock))

    def send_stream(self, number):
        """Send one STREAM frame."""
        return self.send(self.streams[number].body(number, self.boot, self.revision))

    def send(self, body):
        """Send a body as a device frame; the maker's own kinds are 0x40 to 0x7F (§4).  Return
        whether it went out."""
        if self._owed and body[0] > 2:
            return False
        data = frame(body)
        if self.ready and not self.ready(len(data)):
            return False
        if self.logging:  # §6.3: a TIME at least every second
            if self.timed is None or self.monotonic - self.timed >= 500_000:
                self._host(0x85, struct.pack("<Q", self.position))
                self.timed = self.monotonic
            self.frames += 1
        self.position += len(data)
        self.write(data)
        return True

    # A log file, written by the board itself (§6)

    def log_begin(self, clock, wall, program, source, note=""):
        """Write the head of a log, instead of ``begin``, with a ``write`` that goes to the file.

        ``wall`` is µs since 1970-01-01 UTC, 0 when not known (set it later).
        """
        self._check_log(program, source, note)
        self.logging = True
        self.monotonic = self.monotonic or clock
        self._advance(clock)
        self.wall_offset = wall - self.monotonic
        self.write(frame(b"\x80Sagline\x01\x00"))
        self._host(0x81, text(program, 48) + text(source, 1024) + text(note, 1024))
        self._next = 255  # SETTING and FILE may follow before the first device frame
        self._described = clock - self.repeat

    def log_append(self, clock, wall, program, source, note=""):
        """As ``log_begin``, for a file that holds logs of earlier starts: the zero ends what the
        power cut in two, and another capture begins (§6.5).  ``boot`` must differ all the same."""
        self._check_log(program, source, note)
        self.write(b"\0")
        self.log_begin(clock, wall, program, source, note)

    def _check_log(self, program, source, note):
        self._check()
        for words, most in ((program, 48), (source, 1024), (note, 1024)):
            if not _is_text(words, most):
                raise BadDescription(BAD_TEXT, _no_text(most))

    def log_setting(self, name, value):
        """Write a setting in force, right after ``log_begin``."""
        self._host(0x82, text(name, 48) + text(value, 1024))

    def log_file(self, name, data):
        """Attach a file, right after ``log_begin``; ``board`` is the board file."""
        for offset in range(0, len(data) or 1, 2048):
            part = data[offset : offset + 2048]
            self._host(0x83, text(name, 48) + struct.pack("<II", len(data), offset) + part)

    def log_mark(self, number, words, clock):
        """Mark this moment; ``number`` counts from 1 in each log."""
        self._advance(clock)
        self._host(0x86, struct.pack("<H", number) + text(words, 1024))

    def log_wall(self, wall, clock):
        """The time of day has become known, say from a satellite receiver."""
        self._advance(clock)
        self.wall_offset = wall - self.monotonic
        self.timed = None

    def log_end(self, reason, clock):
        """Send what waits and close the log."""
        self._advance(clock)
        self.change()
        self._host(0x8F, struct.pack("<QQ", self.frames, 0) + text(reason, 1024))
        self.logging = False

    def _describe(self, clock):
        self._next = 0
        self._owed = True
        self.idle(clock)

    def _advance(self, clock):
        """Carry the 32-bit clock past its wraps; one that reads a little less is not followed."""
        on = (clock - self.monotonic) % _MODULUS
        if on < _BACK:
            self.monotonic += on

    def _host(self, kind, fields):
        clocks = struct.pack("<BQq", kind, self.monotonic, self.monotonic + self.wall_offset)
        self.write(frame(clocks + fields))
