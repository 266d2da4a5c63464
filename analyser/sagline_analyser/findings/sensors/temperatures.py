"""Temperatures that cannot be: an open or a shorted thermistor, and jumps."""

from dataclasses import dataclass

import numpy as np

from ..readings.series import Array, Flags, Series
from .doubt import MOST, Spans, how_long, runs, seconds
from .levels import Blocks, ReadingPace, blocks_of, unreachable
from .look import Look, spread

COLDEST = -39.0
"""°C below which no reading is believed: an open thermistor reads as cold as its table goes, most
often −40 °C, and industrial parts are rated no lower (common practice, no source)."""

BLOCK = 0.5

OPEN = "open thermistor"

COLDER = 40.0
"""K below the air all along that no part of a vehicle is (common practice, no source)."""


@dataclass(frozen=True)
class _Kind:
    """What a part can do: the hottest it can be without having warmed up in this log (°C), and how
    fast it warms."""

    hottest: float
    pace: ReadingPace


# A winding at 50 A/mm² warms by ρ J² / (c d) = 1.7e-8 × (50e6)² / 3.4e6 = 12 K/s without any heat
# lost (copper: handbook values); 20 K/s leaves room.  The rest is common practice, no source.
_KINDS = {
    "motor_temperature": _Kind(180.0, ReadingPace(BLOCK, 8.0, 20.0, 2.0, 30.0)),
    "controller_temperature": _Kind(150.0, ReadingPace(BLOCK, 8.0, 10.0, 2.0, 30.0)),
    "battery_temperature": _Kind(120.0, ReadingPace(BLOCK, 6.0, 4.0, 1.0, 20.0)),
    "ambient_temperature": _Kind(65.0, ReadingPace(BLOCK, 6.0, 4.0, 1.0, 20.0)),
}


def check_temperatures(look: Look) -> None:
    """Note every temperature that is open, shorted, or jumps as no machine can."""
    for name, kind in _KINDS.items():
        for key in look.ride.keys(name):
            series = look.native(key)
            if series is not None and len(series) > 1:
                _check(look, key, series, kind)
    _against_air(look)


def _check(look: Look, key: str, series: Series, kind: _Kind) -> None:
    blocks = blocks_of(series, BLOCK)
    cold = blocks.low <= COLDEST
    hot = blocks.high >= kind.hottest
    # What was hot from the first sample on and never moved did not warm up there.
    middle = (blocks.low + blocks.high) / 2
    stuck = hot.mean() > MOST and bool(hot[0]) and spread(middle) < 3.0
    rough = 8 * spread(np.diff(series.value[: 1 << 14]))
    pace = ReadingPace(
        BLOCK, kind.pace.room + rough, kind.pace.fast, kind.pace.slow, kind.pace.most
    )
    possible = ~cold & ~(hot if stuck else np.zeros(len(hot), bool))
    away = unreachable(blocks, pace, possible)
    for gone, what in (
        (cold, OPEN),
        (away & hot & ~cold, "shorted thermistor"),
        (away & ~hot & ~cold, "jumps as no machine can"),
    ):
        if gone.any():
            spans = _spans(blocks, gone)
            look.add(key, what, _evidence(what, blocks, gone, away, series), spans)


def _spans(blocks: Blocks, gone: Flags) -> Spans:
    """Return the spans of the doubted blocks, with a block more on both sides, for a filter in the
    board rounds the edges of what the sensor did."""
    if gone.mean() > MOST:
        return ((float(blocks.start[0]), float(blocks.end[-1])),)
    return _joined(blocks, gone, max(BLOCK, 1.5 * float(np.median(np.diff(blocks.start)))))


def _joined(blocks: Blocks, gone: Flags, pad: float) -> Spans:
    """Return the spans of rows of blocks, each longer by ``pad`` s at both ends."""
    found: list[list[float]] = []
    for first, last in runs(gone):
        start = float(blocks.start[first]) - pad
        end = float(blocks.end[last]) + pad
        if found and start <= found[-1][1] + BLOCK:
            found[-1][1] = end
        else:
            found.append([start, end])
    first_time, last_time = float(blocks.start[0]), float(blocks.end[-1])
    return tuple((max(a, first_time), min(b, last_time)) for a, b in found)


def _evidence(what: str, blocks: Blocks, gone: Flags, away: Flags, series: Series) -> str:
    low, high = float(blocks.low[gone].min()), float(blocks.high[gone].max())
    seen = _joined(blocks, gone, 0.0)
    share = seconds(seen) / max(float(series.time[-1] - series.time[0]), 1e-9)
    often = "all along" if share > 0.99 else how_long(seen)
    if what == OPEN:
        return f"It read down to {low:.0f} °C {often}; colder than any vehicle here is used."
    edge = int(np.flatnonzero(gone)[0])
    kept = np.flatnonzero(~away)
    if not len(kept):
        return f"It read {low:.0f} to {high:.0f} °C {often}, hot from the first reading on."
    near = int(kept[np.argmin(np.abs(kept - edge))])
    far = high if high - blocks.low[near] > blocks.high[near] - low else low
    apart = abs(float(blocks.start[edge] - blocks.start[near]))
    before = (blocks.low[near] + blocks.high[near]) / 2
    return (
        f"It went between {before:.0f} and {far:.0f} °C within {max(apart, BLOCK):.2g} s, "
        f"{often}; no part warms or cools so fast."
    )


def _against_air(look: Look) -> None:
    """Note a part, or the air, that is colder than everything else by more than can be."""
    names = [name for name in _KINDS if name != "ambient_temperature"]
    middles = {key: _median(look.at(key)) for name in names for key in look.keys(name)}
    air = look.keys("ambient_temperature")
    if not air or not middles:
        return
    outside = _median(look.at(air[0]))
    whole = ((float(look.time[0]), float(look.time[-1])),)
    below = [key for key, value in middles.items() if value < outside - COLDER]
    if len(below) == len(middles) and len(below) > 1:
        evidence = (
            f"It read {outside:.0f} °C, {outside - max(middles.values()):.0f} K above every part "
            "of the vehicle all along."
        )
        look.add(air[0], "air warmer than every part", evidence, whole)
        return
    cold = {doubt.key for doubt in look.doubts if doubt.doubt == OPEN}
    for key in below:
        if key in cold:
            continue
        evidence = (
            f"It read {middles[key]:.0f} °C, {outside - middles[key]:.0f} K below the air all "
            "along; nothing cools it that far."
        )
        look.add(key, OPEN, evidence, whole)
    first = (
        min(_first(look, key) for key in middles if key not in below)
        if (len(below) < len(middles))
        else outside
    )
    if first - _first(look, air[0]) > COLDER and len(middles) > 2:
        spreads = [_first(look, key) for key in middles if key not in below]
        if max(spreads) - min(spreads) < COLDER / 4:  # a cold start: all parts as warm as the air
            evidence = (
                f"It read {outside:.0f} °C while every part started {first - outside:.0f} K or "
                "more above it."
            )
            look.add(air[0], OPEN, evidence, whole)


def _median(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _first(look: Look, key: str) -> float:
    values = look.at(key)
    known = values[np.isfinite(values)]
    return float(np.median(known[:20])) if len(known) else float("nan")
