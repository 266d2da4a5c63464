"""All cells at once: readings that stop together, which no cell can show against the others.

What watches the cells is one part with one lead to the board.  When it fails, or its pack is away,
all of its readings fall to nothing or stay as they were.
"""

import numpy as np

from ..readings.series import Array, Flags
from .doubt import Spans, how_long, runs, seconds, spans_of, spans_seen
from .look import Look, peak_of
from .taps import DEAD

FROZEN = 10.0
"""s for which no cell moved by a step, to be looked at (our choice)."""

SAGGED, LOADED = 0.02, 0.3
"""Share of the pack's voltage, or of the ride's greatest battery current, over which pack or load
went meanwhile, as cells would have shown (our choice)."""

PAD, JOIN = 0.5, 3.0
"""s set aside around a moment, and between moments that are one."""


def check_cells_together(look: Look) -> None:
    """Note where all cells read nothing, or none moved while the pack did."""
    for check in (_nothing, _frozen):
        keys = look.keys("cell_voltage")  # the second looks at what the first left
        if len(keys) >= 3:
            check(look, keys, [look.at(key) for key in keys])


def _nothing(look: Look, keys: list[str], cells: list[Array]) -> None:
    known = np.isfinite(cells[0])
    gone = known.copy()
    for cell in cells:
        with np.errstate(invalid="ignore"):
            gone &= cell < DEAD
    if not gone.any():
        return
    said = f"All {len(keys)} cells read less than {DEAD:g} V "
    said += how_long(spans_seen(look.time, gone, join=JOIN))
    pack = look.all_of("pack_voltage")
    other = pack[0][gone] if len(pack) else np.empty(0)
    if np.isfinite(other).any() and np.nanmedian(other) > DEAD * len(keys):
        said += f", while the pack had {np.nanmedian(other):.1f} V"
    said += ": no readings, and not empty cells. Nothing watched the cells then."
    for key in _about(look, keys):
        look.add(key, "all cells read nothing", said, _spans(look, gone, known))


def _frozen(look: Look, keys: list[str], cells: list[Array]) -> None:
    still = np.ones(len(look.time), bool)
    for cell in cells:
        still &= np.diff(cell, prepend=np.nan) == 0
    packs, current = look.all_of("pack_voltage"), look.at("battery_current")
    peak = peak_of(current)
    gone = np.zeros(len(still), bool)
    moved = ""
    for first, last in runs(still, round(FROZEN / look.step)):
        part = slice(first - 1, last + 1)
        told = _moved(packs[0][part] if len(packs) else np.empty(0), current[part], peak)
        if told:
            gone[part], moved = True, told
    if not gone.any():
        return
    said = f"No cell moved by a step {how_long(spans_seen(look.time, gone, join=JOIN))}, while "
    spans = _spans(look, gone, np.isfinite(cells[0]))
    for key in _about(look, keys):
        look.add(key, "all cells frozen", f"{said}{moved}.", spans)


def _moved(pack: Array, current: Array, peak: float) -> str:
    """Return in words what went up and down meanwhile; empty where nothing did."""
    pack, current = pack[np.isfinite(pack)], current[np.isfinite(current)]
    if len(pack) and np.ptp(pack) > SAGGED * float(np.median(pack)):
        return f"the pack went from {pack.min():.1f} to {pack.max():.1f} V"
    if len(current) and peak > 5.0 and np.ptp(current) > LOADED * peak:
        return f"the battery current went from {current.min():.0f} to {current.max():.0f} A"
    return ""


def _spans(look: Look, gone: Flags, known: Flags) -> Spans:
    """Return the spans to set aside: all of the time where most of the readings are ``gone``, of
    those that are ``known``; a stream that ended sooner is no sound half."""
    spans = spans_of(look.time, gone, PAD, JOIN)
    if seconds(spans) > 0.5 * seconds(spans_seen(look.time, known)):
        return ((float(look.time[0]), float(look.time[-1])),)
    return spans


def _about(look: Look, keys: list[str]) -> list[str]:
    """Return the cells' stream if it holds nothing else, else every cell."""
    streams = {stream.name for key in keys if (stream := look.ride.find(key)) is not None}
    stream = look.ride.streams[streams.pop()] if len(streams) == 1 else None
    if stream is None or any(c.name != "cell_voltage" for c in stream.channels.values()):
        return keys
    return [stream.name]
