"""The conversion: once through the file for its errors and ranges, once more to write the log."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from sagline_logger.format import (
    Channel,
    RecordError,
    SaglineError,
    SampleType,
    Stream,
    bounds,
    check_output,
    output,
)
from sagline_logger.format.columns.cells import Blank, Cell
from sagline_logger.format.columns.column_map import ColumnMap

from .log_out import LogOut
from .rows import CellRow, read_rows, start_wall


@dataclass(frozen=True)
class Converted:
    """What was written: samples by stream name, bad cells or rows, and whether a date was known."""

    path: Path
    size: int
    rows: int
    samples: dict[str, int]
    problems: int
    dated: bool


class _Survey:
    """What the first reading finds out: ranges of the raw samples, samples, problems."""

    def __init__(self, plan: ColumnMap, told: Callable[[str], None]) -> None:
        self.low: list[int | None] = [None] * len(plan.columns)
        self.high: list[int] = [0] * len(plan.columns)
        self.rows = 0
        self.first = self.last = 0
        self.problems = 0
        self._told = told

    def report(self, problem: SaglineError) -> None:
        self.problems += 1
        self._told(str(problem))

    def read(self, rows: Iterator[CellRow]) -> None:
        low, high = self.low, self.high
        for row in rows:
            if not self.rows:
                self.first = row.time
            self.rows += 1
            self.last = row.time
            for at, cell in enumerate(row.cells):
                if isinstance(cell, int):
                    least = low[at]
                    if least is None:
                        low[at] = high[at] = cell
                    elif cell < least:
                        low[at] = cell
                    elif cell > high[at]:
                        high[at] = cell


def convert(
    source: Path,
    plan: ColumnMap,
    target: Path,
    skip_bad: bool = False,
    told: Callable[[str], None] = lambda line: None,
) -> Converted:
    """Write the column file ``source`` as the log ``target``, which must not exist.

    Values are rounded to the nearest multiple of the declared resolution (a half to the even one);
    times are whole µs since the first row.  ``told`` gets one line for each bad cell or row.

    Raises:
        SaglineError: nothing can be read or written, a value does not fit, or, unless
            ``skip_bad``, a cell or row is bad; then no file is left.
    """
    check_output(target)
    survey = _Survey(plan, told)
    survey.read(read_rows(source, plan, survey.report, "checking"))
    if survey.problems and not skip_bad:
        raise SaglineError(
            f"{survey.problems} bad cells or rows; nothing was written",
            where=str(source),
            remedy="correct them, or leave them out with --skip-bad",
        )
    if not survey.rows or all(low is None for low in survey.low):
        raise SaglineError(
            "no readings in it",
            where=str(source),
            remedy="check the columns, header and first_row of the map",
        )
    wall, dated = start_wall(source, plan, survey.first, survey.last)
    streams = _streams(plan, survey)
    try:
        log = LogOut(plan.board or source.stem.encode()[:48].decode(errors="ignore"), streams, wall)
        start = log.start(source.name[:250], plan.note, plan.settings)
    except RecordError as problem:
        raise SaglineError(str(problem), where=plan.where, remedy="shorten it in the map") from None
    samples = dict.fromkeys((stream.name for stream in plan.streams), 0)
    with output(target) as file:
        size = file.write(start)
        for row in read_rows(source, plan, lambda problem: None, "writing"):
            cells = _by_stream(plan, row)
            for stream, own in zip(plan.streams, cells, strict=True):
                samples[stream.name] += any(not isinstance(c, Blank) for c in own)
            size += file.write(log.row(row.time - survey.first, cells))
        size += file.write(log.end())
    return Converted(target, size, survey.rows, samples, survey.problems, dated)


def _by_stream(plan: ColumnMap, row: CellRow) -> list[list[Cell]]:
    cells: list[list[Cell]] = [[] for _ in plan.streams]
    for column, cell in zip(plan.columns, row.cells, strict=True):
        # With one stream every row is a sample, even one of blanks.
        cells[column.stream].append(
            None if isinstance(cell, Blank) and len(plan.streams) == 1 else cell
        )
    return cells


def _streams(plan: ColumnMap, survey: _Survey) -> list[Stream]:
    """Return the descriptions, each channel with the smallest sample type that holds it."""
    streams = []
    for number, stream in enumerate(plan.streams):
        channels = tuple(
            _fitted(column.channel, low, high, plan.where)
            for column, low, high in zip(plan.columns, survey.low, survey.high, strict=True)
            if column.stream == number
        )
        streams.append(plan.described(number, stream.period, channels))
    return streams


_ORDER = (
    SampleType.U8,
    SampleType.I8,
    SampleType.U16,
    SampleType.I16,
    SampleType.U32,
    SampleType.I32,
)


def _fitted(channel: Channel, low: int | None, high: int, where: str) -> Channel:
    for kind in _ORDER:
        least, most = bounds(kind)
        missing = most if least == 0 else least
        if low is None or (least + (missing == least) <= low and high <= most - (missing == most)):
            return replace(channel, type=kind, missing=missing)
    raise SaglineError(
        f"{channel.key} goes from {channel.value(low or 0):g} to {channel.value(high):g} "
        f"{channel.unit}, more than 32 bits hold at this resolution",
        where=where,
        remedy="declare a coarser resolution",
    )
