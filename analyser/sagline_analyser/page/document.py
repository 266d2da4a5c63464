"""One HTML file that holds the whole ride and needs nothing else."""

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from sagline_logger.format import (
    BoardFile,
    EventKind,
    Limit,
    SaglineError,
    weakest,
)
from sagline_logger.format.progress import counted

from ..findings.answers import answers
from ..findings.basis import Basis, figures, open_basis
from ..findings.limits.crossings import Crossing, Threshold, find_crossings, thresholds
from ..findings.limits.episodes import find_episodes
from ..findings.limits.part_names import short_part
from ..findings.telling.answer import Answer
from ..load.ride import Ride
from ..load.titles import column_titles
from . import tables as written
from .cards import cards
from .columns import Column, PageTable, page_columns
from .course import course_data
from .episode_list import episode_list
from .figures import lowest_cell
from .pack import TICK, pack, pack_time
from .page_data import (
    ColumnData,
    EventData,
    GroupData,
    LimitData,
    LineData,
    PageData,
    PanelData,
    PowerData,
    StripData,
    TableData,
)
from .palette import PALETTE
from .panels import Panel, PanelGroup, PanelLine, lay_out
from .reduce import breaks, extremes
from .shell import data_block, head, resource, write_parts
from .strip import strip
from .templates import page

TITLE = "– Sagline report"
"""End of the title, by which a report is known."""

OVERVIEW_BUCKETS = 500
"""Each line of the first view has the least and greatest sample of this many stretches."""


def write_page(
    ride: Ride | Basis,
    path: str | Path,
    board: BoardFile | None = None,
    answered: Sequence[Answer] | None = None,
) -> int:
    """Write the report of ``ride`` to ``path`` and return its size in bytes.

    A ride is examined first; the traces show it as it was logged, all else rests on what is left.

    The answers to the builder's questions are worked out here unless they are given.

    Raises:
        SaglineError: the file cannot be written, or is there and is no report.
    """
    return write_parts(Path(path), page_parts(ride, board, answered), TITLE)


def page_parts(
    ride: Ride | Basis, board: BoardFile | None = None, answered: Sequence[Answer] | None = None
) -> Iterator[str]:
    """Yield the page piece by piece, so that a long ride never stands in memory as text.

    The order is the order of need: words first, then the reduced view and the scripts, which
    draw it, then all samples, which the page unpacks while it is being looked at.
    """
    basis = ride if isinstance(ride, Basis) else open_basis(ride, board)
    ride, board = basis.raw, basis.board
    limits = basis.limits
    crossings = find_crossings(basis.ride, limits)
    # Before the columns to draw: on a long ride both together would be too much memory.
    found = answers(basis) if answered is None else answered
    spec, blocks = trace_data(ride, board, limits, crossings, strip(basis))
    script = page_script()
    yield head(f"{ride.board_name or 'Ride'} {TITLE}", script)
    yield from _words(basis, crossings, limits, found, spec)
    yield data_block("spec", spec)
    yield f"<script>{script}</script>\n"
    yield from blocks
    yield '<i id="end"></i></body></html>\n'


def trace_data(
    ride: Ride,
    board: BoardFile | None,
    limits: Sequence[Limit],
    crossings: Sequence[Crossing],
    head_strip: StripData,
    zero: float = 0.0,
) -> tuple[PageData, Iterator[str]]:
    """Return what the page's script draws from: the layout with a reduced view, and all samples.

    ``head_strip`` is the strip's part of it, ``zero`` the time (s from the start of the capture)
    that the page calls 0.

    Raises:
        SaglineError: the log holds no samples.
    """
    tables, columns = page_columns(ride, board)
    if not columns:
        raise SaglineError("there is nothing to draw: no samples", where=ride.path)
    groups = lay_out(columns, lowest_cell(ride))
    packed_tables = [pack_time(table.time) for table in tables]
    table_data: list[TableData] = [
        {"name": table.name, "period": table.period, "jumps": jumps}
        for table, (_, jumps) in zip(tables, packed_tables, strict=True)
    ]
    number_of = {table.name: number for number, table in enumerate(tables)}
    titles = _titles(ride)
    column_data = [
        _column_data(column, number_of[column.stream], tables[number_of[column.stream]], titles)
        for column in columns
    ]
    spec: PageData = {
        "duration": ride.duration,
        "wall": ride.started_wall,
        "zero": zero,
        "palette": PALETTE,
        "tables": table_data,
        "columns": column_data,
        "groups": _group_data(ride, columns, groups, limits, crossings),
        "power": _power_data(ride, columns),
        "events": _events(ride),
        "segments": [
            {"number": s.number + 1, "start": s.start, "end": s.end, "step": s.voltage_step}
            for s in ride.segments
        ],
        "gaps": [
            {"start": g.start, "end": ride.duration if g.end is None else g.end}
            for g in ride.link_gaps
        ],
        "strip": head_strip,
    }
    if (course := course_data(ride)) is not None:
        spec["course"] = course

    def blocks() -> Iterator[str]:
        for number, (time, _) in enumerate(packed_tables):
            yield _block(f"t{number}", time.planes, time.text)
        for number, table in enumerate(tables):
            gap = pack(table.gap.astype(np.uint8))
            yield _block(f"g{number}", gap.planes, gap.text)
        # Deflate lets other threads run meanwhile: two columns take little more time than one.
        with ThreadPoolExecutor(2) as pool:
            packed = pool.map(pack, [column.raw for column in columns])
            done = counted(packed, "writing the page", len(columns))
            for number, data in enumerate(done):
                yield _block(f"c{number}", data.planes, data.text)

    return spec, blocks()


def _block(ident: str, planes: int, text: str) -> str:
    # A script of a type that no browser runs: the parser neither renders nor interprets it.
    return f'<script type="text/plain" id="{ident}" data-planes="{planes}">{text}</script>\n'


SCRIPTS = (
    *("samples", "clock", "view", "drawing", "panels"),
    *("lane", "ruler", "save", "strip", "course", "main"),
)


def page_script() -> str:
    """Return the script that draws the traces."""
    return "".join(resource(f"script/{name}.js") for name in SCRIPTS)


def _words(
    basis: Basis,
    crossings: Sequence[Crossing],
    limits: Sequence[Limit],
    answered: Sequence[Answer],
    spec: PageData,
) -> Iterator[str]:
    ride, summary = basis.raw, figures(basis)
    episodes = find_episodes(basis, crossings)
    events = [(e["t"], e["what"], e["text"]) for e in spec["events"]]
    return page(
        "page/report.jinja",
        heading=written.heading(ride),
        warnings=written.warnings(basis),
        tiles=written.summary_tiles(summary),
        answers=cards(answered),
        bands=written.band_table(summary.bands),
        crossings=written.crossing_table(ride, crossings, bool(limits)),
        crossing_count=len(crossings),
        episodes=episode_list(ride, episodes),
        episode_count=len(episodes),
        figures=written.figure_table(summary),
        sensors=written.sensor_table(basis),
        event_count=len(events),
        events=written.event_table(events),
    )


def _titles(ride: Ride) -> dict[str, str]:
    """Return each column's title in a table, by its key."""
    return {
        key: title
        for stream in ride.streams.values()
        for key, title in zip(stream.channels, column_titles(stream), strict=True)
    }


def _power_data(ride: Ride, columns: Sequence[Column]) -> PowerData:
    by_key = {column.key: number for number, column in enumerate(columns)}

    def first(*names: str) -> list[int]:
        found = ([by_key[k] for k in ride.keys(name) if k in by_key] for name in names)
        return next((numbers for numbers in found if numbers), [])

    return {
        "current": first("battery_current", "controller_battery_current"),
        "voltage": first("pack_voltage", "cell_voltage"),
    }


def _group_data(
    ride: Ride,
    columns: Sequence[Column],
    groups: Sequence[PanelGroup],
    limits: Sequence[Limit],
    crossings: Sequence[Crossing],
) -> list[GroupData]:
    marked = _marked(ride, limits, crossings)
    place = {id(column): number for number, column in enumerate(columns)}
    return [
        {
            "id": group.id,
            "title": group.title,
            "panels": [_panel_data(panel, place, marked, crossings) for panel in group.panels],
        }
        for group in groups
    ]


def _column_data(
    column: Column, table: int, times: PageTable, titles: Mapping[str, str]
) -> ColumnData:
    channel = column.channel
    valid = column.valid()
    at = extremes(column.raw, valid, OVERVIEW_BUCKETS)
    raw = column.raw[at]
    whole = column.raw.dtype.kind != "f"
    cuts = np.flatnonzero(np.diff(breaks(times.gap, valid)[at])) + 1
    ticks = np.rint(times.time[at] / TICK).astype(np.int64)
    missing = channel.missing if whole else None
    return {
        "key": column.key,
        "table": table,
        "kind": column.raw.dtype.kind + str(column.raw.dtype.itemsize),
        "multiplier": channel.multiplier,
        "offset": channel.offset,
        "exponent": channel.exponent,
        "missing": missing,
        "how": column.how,
        "overview": {
            "steps": np.diff(ticks, prepend=0).tolist(),
            "raw": np.diff(raw.astype(np.int64), prepend=0).tolist() if whole else raw.tolist(),
            "cuts": cuts.tolist(),
        },
        "title": titles.get(column.key),
    }


_USUAL = ("rating of ", "rated current of ", "continuous current of ", "temperature limit of ")


def _panel_data(
    panel: Panel,
    place: dict[int, int],
    marked: Sequence[tuple[Threshold, bool]],
    crossings: Sequence[Crossing],
) -> PanelData:
    factors = {line.column.key: line.factor for line in panel.lines}
    if any(line.column.channel.name == "cell_voltage" for line in panel.lines):
        factors[""] = 1.0  # a limit on all cells at once

    limits: dict[tuple[float, bool, str], LimitData] = {}
    for threshold, near in marked:
        key = threshold.key or ""
        if key in factors:
            level = threshold.level * factors[key]
            said, part = threshold.reason.partition(": ")[2], threshold.limit.part
            short = said.replace(part, short_part(part)).removesuffix(" of a cell") or part
            for usual in _USUAL:  # what every name on a panel would begin with tells nothing
                short = short.removeprefix(usual)
            entry: LimitData = {
                "level": level,
                "above": threshold.above,
                "kind": threshold.limit.kind,
                "short": short,
                "reason": threshold.reason,
                "near": near,
            }
            limits.setdefault((level, threshold.above, threshold.reason), entry)
    spans = _union(
        [
            (c.span.start, c.span.end)
            for c in crossings
            if (c.threshold.key or "") in factors and c.threshold.limit.kind != "setting"
        ]
    )
    return {
        "title": panel.title,
        "alike": len({line.column.channel.name for line in panel.lines}) == 1,
        "unit": panel.unit,
        "lines": [_line_data(line, place[id(line.column)]) for line in panel.lines],
        "limits": sorted(limits.values(), key=lambda entry: -entry["level"]),
        "spans": spans,
    }


def _line_data(line: PanelLine, column: int) -> LineData:
    return {
        "label": line.label,
        "unit": line.unit,
        "factor": line.factor,
        "colour": line.colour,
        "dash": line.dash,
        "symbol": line.symbol,
        "width": line.width,
        "digit": line.digit,
        "shown": line.shown,
        "column": column,
    }


def _union(spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return the same stretches with those that overlap made one."""
    joined: list[tuple[float, float]] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return joined


def _marked(
    ride: Ride, limits: Sequence[Limit], crossings: Sequence[Crossing]
) -> list[tuple[Threshold, bool]]:
    """Return every threshold, and whether to draw it: the nearest of each kind, or crossed."""
    crossed = {id(crossing.threshold.limit) for crossing in crossings}
    near = {
        id(limit)
        for name, index in {(x.channel, x.index) for x in limits}
        for limit in weakest(tuple(limits), name, index)
    }
    return [(t, id(t.limit) in near | crossed) for t in thresholds(ride, limits)]


_EVENT_WORDS = {
    int(EventKind.FAULT): "fault",
    int(EventKind.FAULT_CLEARED): "fault cleared",
    int(EventKind.NOTE): "note",
}


def _events(ride: Ride) -> list[EventData]:
    """Return everything for the event lane in time order."""
    found: list[EventData] = []
    for event in ride.events:
        what = _EVENT_WORDS.get(int(event.kind), f"event of kind {int(event.kind)}")
        number = f"{event.number}" if event.number else ""
        about = f"({event.index})" if event.index else ""
        text = " ".join(part for part in (number, about, event.text) if part)
        found.append({"t": event.time, "what": what, "text": text})
    found += [
        {"t": mark.time, "what": f"mark {mark.number}", "text": mark.text} for mark in ride.marks
    ]
    for gap in ride.link_gaps:
        away = None if gap.end is None else gap.end - gap.start
        back = "never back" if away is None else f"back after {away:.1f} s"
        if away is not None and away < 0.1:
            back = "back within 0.1 s"
        found.append({"t": gap.start, "what": "link down", "text": f"{back}; {gap.evidence}"})
    for segment in ride.segments[1:]:
        step = segment.voltage_step
        text = f"{step:+.2f} V across the gap" if step is not None else ""
        found.append({"t": segment.start, "what": "restart", "text": text})
    return sorted(found, key=lambda entry: entry["t"])
