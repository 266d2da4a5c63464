"""What bytes are that make no frame of ours: text, noise as of a wrong speed, other packets.

A pure function on bytes, for whoever has some and must name them.  It says no more than the bytes
show: a sender faster than the receiver leaves nothing that tells it from any other bytes.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from . import cobs
from .errors import FrameError, printable
from .frame import DELIMITER, FrameSplitter
from .host_records import FIRST_HOST_KIND
from .limits import MAX_ENCODED
from .records import KINDS

ENOUGH = 16
"""Bytes below which only frames and whole lines of text can be told."""
LOOKED_AT = 1 << 15
"""Bytes of a longer piece that are looked at."""
_SHARE = 0.9  # of the bytes that must agree
_STRANGE = 0.02  # of the signs of a text in another script may be damage, or cut at an end
_LINE = 60  # signs of a line that are shown
_HEADS = 5  # times that a packet's first bytes must come, at least
_LONGEST = 300  # bytes of a packet that is looked for
_SENT = frozenset(kind for kind in KINDS if kind < FIRST_HOST_KIND)  # by a device


class ByteKind(StrEnum):
    """What some bytes are."""

    NOTHING = "nothing"
    FRAMES = "frames"
    """At least one sound frame of ours is among them."""
    BROKEN_FRAMES = "broken frames"
    """Ours by their shape, but none is whole."""
    TEXT = "text"
    PARITY_TEXT = "text with parity"
    """Text of seven data bits, each with a parity bit above them."""
    SLOWER = "slower"
    """A serial line read at least twice as fast as it is sent."""
    PACKETS = "packets"
    """A start or an end comes again and again as packets have it, but it is not ours."""
    UNKNOWN = "unknown"
    LITTLE = "too little"
    """Too few to tell."""


@dataclass(frozen=True, slots=True)
class BytesTold:
    """``words`` name it in one line for people; ``lines`` are the first whole lines of a text."""

    kind: ByteKind
    words: str
    lines: tuple[str, ...] = ()


def tell_bytes(data: bytes) -> BytesTold:
    """Return what ``data`` is, the bytes of a link or of a piece of it in the order they came."""
    data = data[:LOOKED_AT]
    if not data:
        return BytesTold(ByteKind.NOTHING, "no bytes")
    bodies = [piece.body for piece in FrameSplitter().feed(data) if piece.body is not None]
    if bodies:
        return BytesTold(ByteKind.FRAMES, f"frames of this format, {len(bodies)} of them whole")
    looks: tuple[Callable[[bytes], BytesTold | None], ...] = (
        _text,
        _parity_text,
        _broken_frames,
        _slower,
        _packets,
    )
    for look in looks:
        if (told := look(data)) is not None:
            return told
    if len(data) < ENOUGH:
        return BytesTold(ByteKind.LITTLE, f"only {len(data)} bytes, too few to tell what they are")
    return BytesTold(
        ByteKind.UNKNOWN,
        "neither text nor frames nor packets that come again: another serial speed (--baud), or "
        "another protocol",
    )


_PRINTED = bytes([*b"\t\r\n", *range(0x20, 0x7F)])
_USUAL = b" ,;:.=+-0123456789abcdefghijklmnopqrstuvwxyz"


def _is_text(data: bytes) -> bool:
    ends = data.count(b"\n") + data.count(b"\r")
    # Text sent without a gap at twice the speed is read as printed signs too, but as odd ones.
    usual = len(data) - len(data.translate(None, _USUAL)) + ends
    if len(data) < ENOUGH:
        return ends > 0 and usual == len(data)
    if not ends and usual < 0.7 * len(data):
        return False
    printed = len(data) - len(data.translate(None, _PRINTED))
    if printed >= _SHARE * len(data):  # the few others are of an older encoding, or damage
        return True
    signs = data.decode("utf-8", "replace")
    strange = signs.count("\ufffd")
    seen = sum(sign.isprintable() or sign in "\t\r\n" for sign in signs) - strange
    # By chance hardly any byte above 7F stands where UTF-8 has it.
    sure = printed >= len(data) / 2 or (ends > 1 and strange <= _STRANGE * len(signs))
    return sure and seen >= _SHARE * len(signs)


def _lines(data: bytes) -> tuple[str, ...]:
    text = data.replace(b"\r", b"\n").decode("utf-8", "replace")
    # The first and the last line may be cut.
    whole = text.split("\n")[1:-1] if text.count("\n") > 2 else text.split("\n")
    return tuple(printable(line.strip()) for line in whole if line.strip())[:20]


def _text(data: bytes) -> BytesTold | None:
    if not _is_text(data):
        return None
    lines = _lines(data)
    shown = lines[0][:_LINE] + "…" * (len(lines[0]) > _LINE) if lines else ""
    return BytesTold(
        ByteKind.TEXT, "text" + (f", such as “{shown}”" if shown else " of empty lines"), lines
    )


def _parity_text(data: bytes) -> BytesTold | None:
    odd = sum(byte.bit_count() % 2 for byte in data)
    alike = max(odd, len(data) - odd) >= (1 - (1 - _SHARE) / 3) * len(data)
    plain = bytes(byte & 0x7F for byte in data)
    if len(data) < ENOUGH or not alike or not _is_text(plain):
        return None
    sort = "odd" if 2 * odd > len(data) else "even"
    return BytesTold(
        ByteKind.PARITY_TEXT,
        f"text of seven data bits with {sort} parity; set the board to eight bits without parity",
        _lines(plain),
    )


def _broken_frames(data: bytes) -> BytesTold | None:
    """Whether most pieces between zeros unstuff to a record of a device, though no CRC is right.

    By chance one piece in sixty of random bytes does, and hardly any longer than a few bytes.
    """
    pieces = [piece for piece in data.split(DELIMITER)[1:-1] if piece]
    shaped = sum(_shaped(piece) for piece in pieces)
    if shaped < 2 or 2 * shaped < len(pieces):
        return None
    return BytesTold(
        ByteKind.BROKEN_FRAMES, "frames of this format, but every one of them is damaged"
    )


def _shaped(piece: bytes) -> bool:
    if not 16 <= len(piece) <= MAX_ENCODED:
        return False
    try:
        return cobs.decode(piece)[0] in _SENT
    except FrameError:
        return False


def _single(byte: int) -> bool:
    """Whether a bit of the byte, seen behind its start bit, differs from both its neighbours."""
    bits = byte << 1  # the start bit is a zero, and the lowest bit comes first
    return any((bits >> n & 7) in (2, 5) for n in range(7))


_SINGLE = bytes(byte for byte in range(256) if _single(byte))


def _slower(data: bytes) -> BytesTold | None:
    """A bit that is sent at half the speed or less is seen as two or more: none stands alone."""
    if len(data) >= ENOUGH and not data.strip(DELIMITER):
        return BytesTold(
            ByteKind.SLOWER,
            "nothing but zeros: the board sends at a much lower speed (--baud), or its line hangs",
        )
    alone = len(data) - len(data.translate(None, _SINGLE))
    if len(data) < 2 * ENOUGH or alone > 0.02 * len(data) or set(data) <= {0, 0xFF}:
        return None
    return BytesTold(
        ByteKind.SLOWER,
        "a serial line read too fast: the board sends at half the speed (--baud) or less",
    )


def _packets(data: bytes) -> BytesTold | None:
    if len(data) < 4 * ENOUGH:
        return None
    pairs = Counter(pairwise(data))
    for (first, second), count in pairs.most_common(12):
        head = bytes((first, second))
        if count < _HEADS or head in (b"\0\0", b"\xff\xff"):
            continue
        places = _places(data, head)
        steps = Counter(after - before for before, after in pairwise(places))
        step, times = steps.most_common(1)[0]
        covered = places[-1] - places[0] >= 0.7 * len(data)
        if covered and 4 <= step <= _LONGEST and times >= 0.8 * (len(places) - 1):
            return _told_packets(f"{head.hex(' ').upper()} comes again every {step} bytes")
    for end, name in ((b"\x7e", "7E"), (b"\xc0", "C0")):  # HDLC (RFC 1662), SLIP (RFC 1055)
        parts = [part for part in data.split(end)[1:-1] if part]
        expected = len(data) / 256
        if len(parts) >= _HEADS and data.count(end) > 3 * expected + 3 and _alike(parts):
            return _told_packets(f"{name} stands between them")
    return None


def _places(data: bytes, head: bytes) -> list[int]:
    found, at = [], data.find(head)
    while at >= 0:
        found.append(at)
        at = data.find(head, at + 1)
    return found


def _alike(parts: list[bytes]) -> bool:
    """Whether the parts between marks begin alike, as packets with a header do."""
    return Counter(part[0] for part in parts).most_common(1)[0][1] >= 0.6 * len(parts)


def _told_packets(how: str) -> BytesTold:
    return BytesTold(
        ByteKind.PACKETS,
        f"what looks like packets of another protocol ({how}), or the same sent again and again at "
        "another serial speed (--baud)",
    )
