"""What is fuzzed: each target takes any bytes and must end in a result or a one-line SaglineError.

The search (``run.py``) and the replay of kept cases (``test_cases.py``) call the same functions.
A warning counts as a failure too: it would be a stray line on the user's screen.
"""

import io
import json
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from sagline_analyser.columns_in import convert, load_map, suggest
from sagline_analyser.load import load_ride
from sagline_analyser.load.frames import read_blocks
from sagline_logger.board.report import report
from sagline_logger.format import (
    FrameSplitter,
    RecordError,
    SaglineError,
    decode_frame,
    decode_record,
    encode_frame,
    load_board_file,
    open_log,
    read_log,
)
from sagline_logger.format.columns.column_map import read_map
from sagline_logger.verify.command import as_json, as_text
from sagline_logger.verify.survey import survey

CUT = b"\n%%\n"
"""Between the map and the column file in a case of ``columns``."""

Target = Callable[[bytes, Path], None]
"""(a case, a directory to work in) → nothing; anything wrong raises."""


def frames(data: bytes, place: Path) -> None:
    """The frame decoder and the records: however sliced the same, and nothing lost."""
    splitter = FrameSplitter()
    pieces = splitter.feed(data) + splitter.finish()
    assert b"".join(piece.raw for piece in pieces) == data
    step = 1 + len(data) // 7
    sliced = FrameSplitter()
    again = [p for at in range(0, len(data), step) for p in sliced.feed(data[at : at + step])]
    assert again + sliced.finish() == pieces
    for piece in pieces:
        if piece.body is None:
            continue
        assert decode_frame(encode_frame(piece.body)[:-1]) == piece.body
        try:
            record = decode_record(piece.body)
        except RecordError as problem:
            assert str(problem).isprintable()
            continue
        assert decode_record(record.encode()) == record


def log(data: bytes, place: Path) -> None:
    """Both readers of a log file: they find the same frames, and every time is a number."""
    path = place / "case.sagline"
    path.write_bytes(data)
    with refused(), open_log(path) as file:
        found = survey(read_log(file))
        assert found.size <= len(data)
        for line in as_text(found, path).split("\n"):
            one_line(line)
        json.dumps(as_json(found), allow_nan=False)
    splitter = FrameSplitter()
    at, sound = 0, []
    for piece in splitter.feed(data) + splitter.finish():
        if piece.body is not None:
            sound.append((at, piece.body))
        at += len(piece.raw)
    blocks = read_blocks(io.BytesIO(data), 1 + len(data) // 3)
    assert sound == [
        frame
        for b in blocks
        for frame in zip(b.offset.tolist(), b.bodies(np.arange(b.offset.size)), strict=True)
    ]
    with refused():
        ride = load_ride(path)
        assert np.isfinite(ride.duration)
        for stream in ride.streams.values():
            assert np.isfinite(stream.time).all() and (np.diff(stream.time) >= 0).all()
            lengths = {len(column) for column in stream.values.values()}
            lengths |= {len(column) for column in stream.raw.values()}
            assert lengths == {len(stream.time)} == {len(stream.gap)} == {len(stream.segment)}


def wrapped(data: bytes, place: Path) -> None:
    """A log inside an archive or a page, from its opening to its end."""
    path = place / "case.gz"
    path.write_bytes(data)
    with refused(), open_log(path) as file:
        while file.read(1 << 16):
            pass


def board(data: bytes, place: Path) -> None:
    """A board file, and the report on it."""
    path = place / "board.toml"
    path.write_bytes(data)
    with refused():
        found, raw = load_board_file(path)
        assert raw == data
        for line in report(found).split("\n"):
            one_line(line)


def columns(data: bytes, place: Path) -> None:
    """A map and a column file to a log, which must be sound; and the map suggested for it."""
    told, _, table = data.partition(CUT)
    path, source, target = place / "map.toml", place / "in.csv", place / "out.sagline"
    path.write_bytes(told)
    source.write_bytes(table)
    with refused():
        read_map(suggest(source), "suggested")
    for skip_bad in (False, True):
        target.unlink(missing_ok=True)
        with refused():
            convert(source, load_map(path), target, skip_bad, one_line)
            quality = load_ride(target).quality
            assert quality.damaged_frames == quality.undescribed_samples == 0


TARGETS: dict[str, Target] = {
    target.__name__: target for target in (frames, log, board, columns, wrapped)
}


@contextmanager
def refused() -> Iterator[None]:
    """Let bad input be refused in one line, and nothing else go wrong."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            yield
        except SaglineError as problem:
            one_line(str(problem))


def one_line(text: str) -> None:
    """Fail where an error is no single line, or could steer the terminal that shows it."""
    assert text.isprintable(), text
