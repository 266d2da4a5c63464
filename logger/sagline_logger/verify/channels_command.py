"""``sagline-logger channels``: what a log's channels are called, hold, and count as."""

import argparse
import json
import math
from pathlib import Path
from typing import Any

from ..format import SampleType
from ..format.counting import several
from ..format.errors import printable
from ..format.log_file import open_log, read_shown
from .channel_count import ChannelCount, ChannelSurvey, StreamChannels, count_channels

EXAMPLES = (
    "channels ride.sagline",
    "channels --json ride.sagline",
)
_STANDING = {"standard": "standard", "nearly": "NOT standard", "own": "its own"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    parser.add_argument("log", type=Path, metavar="LOG", help="a .sagline file")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.epilog = (
        "Findings, limits and alarms use standard channels only (protocol_docs/vocabulary.md); a "
        "channel of the board's own is kept, drawn and exported."
    )


def run(arguments: argparse.Namespace) -> int:
    """Print the table."""
    with open_log(arguments.log) as file:

        def entries() -> Any:
            file.seek(0)
            return read_shown(file, f"reading {arguments.log.name}")

        found = count_channels(entries)
    print(json.dumps(as_json(found)) if arguments.json else as_text(found, arguments.log))
    return 0


def as_json(found: ChannelSurvey) -> dict[str, Any]:
    """Return the counts as plain data; values in the channels' units, periods in s."""
    return {
        "streams": [
            {
                "number": stream.number,
                "name": stream.name,
                "period": stream.period,
                "samples": stream.samples,
                "lost": stream.lost,
                "channels": [_channel(count) for count in stream.channels.values()],
            }
            for stream in found.streams
        ],
        "unread": {str(number): count for number, count in sorted(found.unread.items())},
    }


def _channel(count: ChannelCount) -> dict[str, Any]:
    channel = count.channel
    return {
        "key": channel.key,
        "name": channel.name,
        "index": channel.index,
        "unit": channel.unit,
        "label": channel.label,
        "samples": count.samples,
        "missing": count.missing,
        "lowest": _finite(count.lowest),
        "highest": _finite(count.highest),
        "standing": count.standing,
        "why": channel.nearly,
    }


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def as_text(found: ChannelSurvey, path: Path) -> str:
    """Return the table for people."""
    lines = [str(path)]
    for stream in found.streams:
        lines += ["", *_table(stream)]
    for number, count in sorted(found.unread.items()):
        lines += ["", f"stream {number}: {several(count, 'sample')} that no description explains"]
    if not found.streams:
        lines += ["", "no channel is described; `sagline-logger verify` says what the log holds"]
    counts = [count for stream in found.streams for count in stream.channels.values()]
    told = list(dict.fromkeys(one.channel.nearly for one in counts if one.channel.nearly))
    return "\n".join(
        map(printable, [*lines, *([""] if told else []), *(f"note: {t}" for t in told)])
    )


def _table(stream: StreamChannels) -> list[str]:
    pace = f"{1 / stream.period:.6g} a second" if stream.period else "irregular"
    head = (
        f"stream {stream.number} ({stream.name}), {pace}: {several(stream.samples, 'sample')}, "
        f"{stream.lost} lost"
    )
    rows = [("channel", "unit", "lowest", "highest", "missing", "")]
    for count in stream.channels.values():
        channel = count.channel
        rows.append(
            (
                channel.key,
                channel.unit or "-",
                _figure(count, count.lowest),
                _figure(count, count.highest),
                str(count.missing),
                _STANDING[count.standing] + (f" ({channel.label})" if channel.label else ""),
            )
        )
    widths = [max(len(row[n]) for row in rows) for n in range(5)]
    return [head, *(_row(row, widths) for row in rows)]


def _row(row: tuple[str, ...], widths: list[int]) -> str:
    """Return a line: words to the left, numbers to the right."""
    cells = [
        cell.rjust(width) if n >= 2 else cell.ljust(width)
        for n, (cell, width) in enumerate(zip(row, widths, strict=False))
    ]
    return "  ".join(["", *cells, row[-1]]).rstrip()


def _figure(count: ChannelCount, value: float | None) -> str:
    if value is None:
        return "-"
    exponent = count.channel.exponent
    if count.channel.type is SampleType.F32 or not -9 <= exponent <= 0:
        return f"{value:.6g}"
    return f"{value:.{-exponent}f}"
