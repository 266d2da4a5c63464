"""From what is known to lines of styled text: pure, for any size, with or without colour."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from ..format.errors import printable
from .alarms import Alarm, worst_first
from .digits import HEIGHT, large
from .glance import Number

Style = Literal["", "dim", "bold", "good", "warn", "alarm"]

CAUTION = "Glance before and after a run. Do not read a screen while riding."


@dataclass(frozen=True, slots=True)
class TextSpan:
    """A run of text in one style: plain, dim, bold, good, warn or alarm."""

    text: str
    style: Style = ""


Line = tuple[TextSpan, ...]


@dataclass(frozen=True, slots=True)
class Status:
    """Everything the screen says beside the large numbers."""

    board: str
    elapsed: float
    link: str
    link_good: bool
    rate: float
    """Bytes per second."""
    lost: int
    written: int
    free: int
    marks: int
    notices: tuple[str, ...] = ()
    """Lines that need the rider: no descriptor, disk full, wrong baud."""
    typing: str | None = None
    """Text being typed for the last mark, or None."""


def draw(
    numbers: Sequence[Number], alarms: Sequence[Alarm], status: Status, width: int, height: int
) -> list[Line]:
    """Return at most ``height`` lines of at most ``width`` characters."""
    raised = worst_first(alarms)
    bad = {alarm.threshold.key for alarm in raised}
    top = [_header(status, width)]
    bottom = [_link(status, width), *_foot(status, width)]
    warnings: list[Line] = [
        (TextSpan(_fit(alarm_words(alarm), width), "alarm"),) for alarm in raised
    ]
    warnings += [(TextSpan(_fit(f"NOTE  {text}", width), "warn"),) for text in status.notices]
    room = height - len(top) - len(bottom)
    kept = room - min(len(warnings), 2)
    blocks = _list(numbers, bad, width)
    for scale in (2, 1):
        large_ones = _blocks(numbers[:LARGE], bad, width, scale)
        large_ones += _list(numbers[LARGE:], bad, width)
        if width >= 3 * _LEAST * scale - (scale - 1) * 12 and len(large_ones) <= kept:
            blocks = large_ones
            break
    shown = warnings[: max(room - len(blocks), 1)]
    if len(shown) < len(warnings):
        more = f"… and {len(warnings) - len(shown) + 1} more"
        shown[-1] = (TextSpan(_fit(more, width), "alarm"),)
    lines = [*top, *blocks, *shown]
    lines += [()] * (height - len(lines) - len(bottom))
    return [*lines[: height - len(bottom)], *bottom][:height]


def alarm_words(alarm: Alarm) -> str:
    """Return an alarm in words, so that it needs no colour."""
    told = f"ALARM {alarm.words(alarm.value)}"
    return told if alarm.worst in (None, alarm.value) else f"{told}, worst {alarm.worst:.4g}"


def duration(seconds: float) -> str:
    """Return h:mm:ss."""
    minutes, second = divmod(int(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{second:02d}"


def size(number: float) -> str:
    """Return a number of bytes in decimal units (IEC 80000-13: k = 1000)."""
    for unit in ("B", "kB", "MB", "GB"):
        if number < 1000:
            return f"{number:.0f} {unit}" if unit == "B" else f"{number:.1f} {unit}"
        number /= 1000
    return f"{number:.1f} TB"


_LEAST = 20  # columns that a block of large digits needs

LARGE = 9
"""Numbers in large digits: three rows fit a terminal of 24 lines.  Further ones are words below."""


def _header(status: Status, width: int) -> Line:
    left = f"{printable(status.board) or 'waiting for the board'}  {duration(status.elapsed)}"
    right = status.link
    gap = width - len(left) - len(right)
    if gap < 1:  # too narrow for both: the time is on the wrist, the link is not
        return (TextSpan(_fit(right, width), "good" if status.link_good else "alarm"),)
    return (
        TextSpan(left, "bold"),
        TextSpan(" " * gap),
        TextSpan(right, "good" if status.link_good else "alarm"),
    )


def _blocks(numbers: Sequence[Number], bad: set[str], width: int, scale: int) -> list[Line]:
    column = max(width // 3, 1)
    lines: list[Line] = []
    for start in range(0, len(numbers), 3):
        row = numbers[start : start + 3]
        styles: list[Style] = ["alarm" if bad.intersection(number.keys) else "" for number in row]
        lines.append(())
        lines.append(
            tuple(
                # A mark before the name tells without any colour whose alarm it is.
                TextSpan(
                    _fit(
                        f"{'! ' if style else ''}{number.title} {number.part}".rstrip(), column - 1
                    ).ljust(column),
                    style or "dim",
                )
                for number, style in zip(row, styles, strict=True)
            )
        )
        digits = [large(number.text, scale) for number in row]
        for level in range(HEIGHT * scale):
            lines.append(
                tuple(
                    TextSpan(
                        (rows[level] + (f" {number.unit}" if level == HEIGHT * scale - 1 else ""))[
                            : column - 1
                        ].ljust(column),
                        style,
                    )
                    for rows, number, style in zip(digits, row, styles, strict=True)
                )
            )
    return lines


def _list(numbers: Sequence[Number], bad: set[str], width: int) -> list[Line]:
    """Return the numbers as words, in as many columns as there is room for, read downwards."""
    columns = min(max(width // _LEAST, 1), 3)
    rows = -(-len(numbers) // columns)
    lines: list[Line] = []
    for level in range(rows):
        spans = []
        for number in numbers[level::rows]:
            alarmed = bool(bad.intersection(number.keys))
            text = f"{'!' if alarmed else ' '}{number.short:<9}{number.text:>5} {number.unit:<4}"
            style: Style = "alarm" if alarmed else ""
            spans.append(TextSpan(_fit(text, min(_LEAST, width)), style))
        lines.append(tuple(spans))
    return lines


def _link(status: Status, width: int) -> Line:
    text = (
        f"{size(status.rate)}/s  lost {status.lost}  log {size(status.written)}  "
        f"free {size(status.free)}  marks {status.marks}"
    )
    return (TextSpan(_fit(text, width)),)


def _foot(status: Status, width: int) -> list[Line]:
    if status.typing is not None:
        keys = f"mark {status.marks}: {status.typing}_  (Enter keeps it)"
    else:
        keys = "m mark   q stop and save"
    return [(TextSpan(_fit(keys, width), "bold"),), (TextSpan(_fit(CAUTION, width), "dim"),)]


def _fit(text: str, width: int) -> str:
    text = printable(text)  # before it is measured: an escape is longer than what it stands for
    return text if len(text) <= width else text[: width - 1] + "…"
