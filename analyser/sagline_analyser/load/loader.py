"""From a log file to a :class:`Ride`."""

from collections.abc import Iterable
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path
from typing import IO

import numpy as np

from sagline_logger.format import (
    VERSION,
    Capture,
    Dropped,
    End,
    FilePart,
    Foreign,
    SaglineError,
    Setting,
    broken_off,
    open_log,
)
from sagline_logger.format.counting import several
from sagline_logger.format.log_file import plain_size
from sagline_logger.format.progress import counted

from .ahead import Ahead, worker_for
from .assembly import Assembled, Descriptions, assemble
from .captures import (
    YEAR_2000,
    capture_of,
    first_capture,
    is_date,
    moved,
    overlap,
    place_captures,
)
from .clocks import Clocks, read_clocks
from .frames import Block, read_blocks
from .happened import board_file, events_of, link_gaps_of, marks_of, segments_of
from .memory import hand_back
from .pace import stretch, unreal_pace
from .ride import Quality, Ride
from .segments import Told, settle
from .tables import Key, Tables, tabulate
from .timebase import wall_offset


def load_ride(path: str | Path) -> Ride:
    """Return everything in a log as columns in units on one time axis.

    Raises:
        SaglineError: the file cannot be read, is not a log, needs a later version of the format,
            or holds nothing from a board, or nothing that a descriptor explains.
    """
    path = Path(path)
    with worker_for(path) as worker:
        ride = _load(path, worker)
    hand_back(ride)
    return ride


def _load(path: Path, worker: Executor) -> Ride:
    with open_log(path) as file:
        try:
            ahead = Ahead(path, worker)
            tables = tabulate(_counted(file, path), ahead.take)
        except OSError as problem:
            raise SaglineError(
                f"cannot read the log ({problem.strerror})",
                where=str(path),
                remedy="copy it to another disk and try again",
            ) from None
        warnings = list(filter(None, [broken_off(file)]))
    tables, told = settle(tables)
    described = tables.described  # a descriptor that came late holds for all of its segment
    _check_content(tables, str(path))
    for major, minor in sorted(tables.versions):
        warnings.append(f"what the board sent in format version {major}.{minor} is left out")
    if tables.refused:
        which = f"; the first: {tables.refusal}" if tables.refusal else ""
        warnings.append(f"{tables.refused} sound frames break the rules of their kind{which}")
    warnings += _words(told)

    placed = place_captures(tables)
    tables, first = placed.tables, placed.start
    if tables.starts:
        warnings.append(f"{len(tables.starts) + 1} captures are joined in this file")
    if (pace := unreal_pace(tables)) is not None:
        tables = stretch(tables, pace)
        warnings.append(
            f"the board's clock ran {pace.factor:.3g} times as fast as the logger's, as when "
            "simulated; all times are the board's"
        )
        first = int(pace.stretched(np.array([first], np.int64))[0])
    clocks = read_clocks(tables, first, lambda key: _period(described, key))
    if tables.starts and (later := overlap(tables, replace(placed, start=first), clocks)):
        tables = moved(tables, later)
        clocks = read_clocks(tables, first, lambda key: _period(described, key))
    for capture in placed.blind:
        warnings.append(
            f"nothing tells how long after the capture before it number {capture + 1} began; it is "
            "set right behind"
        )
    if clocks.blind:
        warnings.append(
            "no host clock tells when some of the data came; it is set as early as it can have come"
        )
    filled = ahead.finish if told.plain else lambda parts: None
    found = assemble(tables, described, clocks, filled, str(path))
    warnings += found.notes
    streams = found.streams.values()
    nearly = {c.name: c.nearly for s in streams for c in s.channels.values() if c.nearly}
    warnings += nearly.values()
    return _ride(str(path), tables, clocks, first, found, told, warnings)


def _counted(file: IO[bytes], path: Path) -> Iterable[Block]:
    """Return the blocks of a log, which tell how far it is read."""
    return counted(
        read_blocks(file),
        f"reading {path.name}",
        plain_size(file) or 0,
        lambda block: block.data.size,
    )


def _words(told: Told) -> list[str]:
    """Return what the numbers of a log told, for people."""
    words = [
        f"stream {name!r} was described in two ways under one revision; each holds for what "
        "follows it"
        for name in sorted(told.contradicted)
    ]
    if told.same_number:
        words.append(
            f"the board started {several(told.same_number, 'time')} without changing its boot "
            "number; what was lost at such a start cannot be told"
        )
    if told.went_back:
        words.append(f"the numbers of {several(told.went_back, 'record')} went back")
    if told.repeated:
        words.append(f"{several(told.repeated, 'record')} came more than once, counted once")
    if told.unheard:
        words.append(f"{several(told.unheard, 'sample')} sent after a restart, before it was heard")
    return words


def _check_content(tables: Tables, where: str) -> None:
    for major, minor in tables.versions if not tables.described else ():
        raise SaglineError(
            f"the board speaks format version {major}.{minor}, this program reads {VERSION[0]}.x",
            where=where,
            remedy="install a Sagline of that version",
        )
    if tables.samples and not tables.described and tables.refusal:
        raise SaglineError(
            f"what the board says of itself breaks the format's rules ({tables.refusal}), so "
            "nothing tells what its samples mean",
            where=where,
            remedy="mend the board's program and record again; the raw samples are kept",
        )
    if tables.samples and not tables.described:
        raise SaglineError(
            "a log without a descriptor: the board never said what its samples mean",
            where=where,
            remedy="record for longer, so that the board repeats it; the raw samples are kept",
        )
    if not tables.boots:
        raise SaglineError(
            "nothing from a board in this log",
            where=where,
            remedy="check the cable, the port and the baud rate, and record again",
        )


def _period(described: Descriptions, key: Key) -> int | None:
    stream = described.get(key[:3])
    return stream.period if stream and key.row == stream.layout.size else None


def _ride(
    path: str,
    tables: Tables,
    clocks: Clocks,
    zero: int,
    found: Assembled,
    told: Told,
    warnings: list[str],
) -> Ride:
    host = [record for _, record in tables.host]
    own = capture_of(tables, np.array([at for at, _ in tables.host], np.int64)).tolist()
    captures = [r for r in host if isinstance(r, Capture)]
    instants = tables.instants
    latest = [end for _, end in clocks.spans]
    if instants.size:
        latest.append(float(instants["monotonic"].max() - zero))
    front = first_capture(tables)
    offset = wall_offset(front["monotonic"], front["wall"])
    started = None if offset is None else (zero + offset) / 1e6
    if offset is not None and not is_date(zero, offset):
        if not 0 <= zero + offset < YEAR_2000:  # there a clock stands that nobody has set
            warnings.append("the logger's clock stood at no possible date; the ride has none")
        started = None
    events, lost_events = events_of(tables, clocks)
    board, damaged = board_file([r for r in host if isinstance(r, FilePart)])
    delays = clocks.delays
    return Ride(
        path=path,
        board_name=tables.board.name if tables.board else "",
        firmware=tables.board.firmware if tables.board else "",
        streams={name: replace(s, started_wall=started) for name, s in found.streams.items()},
        events=events,
        marks=marks_of(zip(own, host, strict=True), zero),
        link_gaps=link_gaps_of(zip(own, host, strict=True), zero),
        segments=segments_of(tables, clocks, found.streams),
        quality=Quality(
            frames=tables.frames,
            lost_samples=found.lost,
            lost_events=lost_events,
            damaged_frames=tables.damaged.size + tables.refused,
            foreign_bytes=sum(len(r.data) for r in host if isinstance(r, Foreign)),
            undescribed_samples=found.undescribed,
            dropped_frames=sum(r.frames for r in host if isinstance(r, Dropped)),
            clock_drift_ppm=clocks.drift_ppm,
            clock_error=float(np.quantile(delays, 0.95)) / 1e6 if delays.size else None,
            ended=any(
                isinstance(record, End) and capture == len(tables.starts)
                for capture, record in zip(own, host, strict=True)
            ),
            misfit_samples=found.misfits,
            unheard_samples=told.unheard,
            repeated_records=told.repeated,
            went_back=told.went_back,
            same_number_restarts=told.same_number,
            captures=len(tables.starts) + 1,
            strange_frames=tables.strange,
        ),
        duration=max(latest, default=0.0) / 1e6,
        started_wall=started,
        settings={r.name: r.value for r in host if isinstance(r, Setting)},
        note=captures[0].note if captures else "",
        source=captures[0].source if captures else "",
        board_file=board,
        warnings=(*warnings, damaged) if damaged else tuple(warnings),
    )
