"""A board that prints lines: what it prints, and what a map of them must give."""

import json
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from pathlib import Path

from sagline_logger.capture.lines import lines_by
from sagline_logger.capture.translator import Item, Translator
from sagline_logger.format import Board, Instant, Piece, Raw, Samples, Stream, decode_record

NAMES = ("pack_voltage", "battery_current", "motor_speed")
STEPS = ("0.01", "0.1", "1")


def map_text(
    names: Sequence[str] = NAMES,
    steps: Sequence[str] = STEPS,
    file: str = "header = 1",
    time: str = 'column = 1\nunit = "ms"',
    columns: Sequence[str | int] = (),
    period: str = "",
) -> str:
    """Return a map; by default of the time in ms and one column for each name behind it."""
    places = columns or range(2, len(names) + 2)
    stream = f'[[streams]]\nname = "table"\nperiod = {period}\n' if period else ""
    entries = "".join(
        f"[[columns]]\ncolumn = {place if isinstance(place, int) else json.dumps(place)}\n"
        f'channel = "{name}"\nresolution = {step}\n'
        for place, name, step in zip(places, names, steps, strict=True)
    )
    clock = f"[time]\n{time}\n" if time else ""
    return f'board = "Kestrel"\n[file]\n{file}\n{clock}{stream}{entries}'


def translator(directory: Path, text: str) -> Translator:
    """Return what reads lines by a map."""
    path = directory / "map.toml"
    path.write_text(text)
    return lines_by(path).make()


def feed(reader: Translator, chunks: Iterable[bytes], every: int = 20_000) -> list[Item]:
    """Return what comes of chunks that arrive ``every`` µs, and of the end."""
    items: list[Item] = []
    at = 1_000_000_000
    for chunk in chunks:
        at += every
        items += reader.feed(chunk, Instant(at, at))
    return items + reader.finish(Instant(at, at))


def raw_of(items: Iterable[Item]) -> bytes:
    """Return the input, as it was kept."""
    return b"".join(item.data for item in items if isinstance(item, Raw))


def values_of(items: Iterable[Item]) -> Iterator[tuple[int, int, list[Decimal | None]]]:
    """Yield (boot, device time in µs, values exactly) of every sample, as a reader finds them.

    By the specification's own words (§5.4 and §5.5), in decimals.
    """
    streams: dict[tuple[int, int], Stream] = {}
    for item in items:
        if not isinstance(item, Piece):
            continue
        assert item.body is not None
        record = decode_record(item.body)
        if isinstance(record, Stream):
            streams[record.boot, record.stream] = record
        elif isinstance(record, Samples):
            stream = streams[record.boot, record.stream]
            for at, row in enumerate(record.rows(stream)):
                yield (
                    record.boot,
                    record.clock + at * stream.period,
                    [
                        None
                        if raw == channel.missing
                        else (Decimal(int(raw)) * channel.multiplier + channel.offset)
                        * Decimal(10) ** channel.exponent
                        for raw, channel in zip(row, stream.channels, strict=True)
                    ],
                )
        else:
            assert isinstance(record, Board)
