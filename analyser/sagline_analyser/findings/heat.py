"""How long a current may flow before a motor or controller reaches its temperature limit."""

from dataclasses import dataclass, replace

import numpy as np

from sagline_logger.format import BoardFile, derive_limits, weakest

from ..load.ride import Ride
from . import thermal
from .answer import Answer, Figure
from .demand import STANDING
from .electric import present
from .parts import Squares
from .series import Series, column
from .speed import Unknown, vehicle_speed
from .summary import words
from .thermal import ThermalFit, TimeToLimit

LEAST_TIME = 60.0
"""s of temperature readings below which no model is fitted (our choice)."""

LONGEST = 3600.0
"""s at the end of a longer ride that the model is fitted to, for else the steps of its grid would
be too coarse for a winding (our choice)."""

LEAST_RISE = 4.0
"""K that a part must have warmed or cooled by: four steps of a whole-degree sensor (our choice)."""

VAGUE = 1.6
"""Ratio of the interval's ends above which the ride was too short or gentle (our choice)."""

FARTHEST = 2.5
"""Times the temperature span seen that a power stage's limit may lie above the air (our choice).
A winding warms with the current squared; how a stage's losses divide between the current and its
square shows only as far as the ride warmed it."""

HARDEST = 60.0
"""s of the ride's hardest stretch, whose RMS current is used where the board states no other."""

KEY, QUESTION = "heat", "How long until something is too hot?"


@dataclass(frozen=True)
class PartHeat:
    """One motor or controller.

    ``limit`` in °C and ``current`` in A (with where each came from) are what the times refer to,
    in ``air`` °C at ``speed`` m/s.  ``cold`` starts with everything at air temperature, ``now``
    at the end of the ride.  ``reason`` says why a time is missing; ``model`` may still be there.
    """

    part: str
    key: str
    evidence: tuple[tuple[float, float], ...]
    reason: str = ""
    model: ThermalFit | None = None
    limit: float | None = None
    current: float | None = None
    current_source: str = ""
    air: float = 20.0
    air_source: str = ""
    speed: float = 0.0
    cold: TimeToLimit | None = None
    now: TimeToLimit | None = None
    settles: float | None = None


def part_heats(
    ride: Ride, board: BoardFile | None = None, current: float | None = None,
    limit: float | None = None,
) -> tuple[PartHeat, ...]:  # fmt: skip
    """Fit every motor and controller that has a temperature.

    ``current`` (A) and ``limit`` (°C) replace what the board file states.
    """
    keys = [
        key for kind in ("motor", "controller") for key, _ in present(ride, f"{kind}_temperature")
    ]
    return tuple(part_heat(ride, board, key, current, limit) for key in keys)


def part_heat(
    ride: Ride, board: BoardFile | None, key: str, current: float | None = None,
    limit: float | None = None,
) -> PartHeat:  # fmt: skip
    """Fit the part whose temperature is in column ``key``; see :func:`part_heats`."""
    stream, temperature = ride.find(key), column(ride, key)
    if stream is None or temperature is None:
        return PartHeat(key, key, (), "it has no readings")
    kind, index = key.partition("_")[0], stream.channels[key].index or 1
    part = words(ride, key).replace(" temperature", "")
    guess = float(np.median(temperature.value[:5]))
    end = float(temperature.time[-1])
    late = temperature.time >= end - LONGEST
    temperature = Series(temperature.time[late], temperature.value[late], temperature.gap[late])
    start = float(temperature.time[0])
    evidence = ((start, end),)
    flow = column(ride, f"motor_current_{index}") or column(ride, "motor_current")
    if flow is None:
        return PartHeat(part, key, evidence, "it needs the channel motor_current")
    if end - start < LEAST_TIME:
        return PartHeat(
            part, key, evidence, f"the ride was too short to tell: {end - start:.0f} s of "
            f"temperatures, at least {LEAST_TIME:.0f} s are needed",
        )  # fmt: skip
    found = vehicle_speed(ride, board)
    speed = None if isinstance(found, Unknown) else found.series
    outside = column(ride, "ambient_temperature")
    drive, seen, readings = thermal.grid(flow, speed, outside, temperature, guess)
    rise = float(np.nanmax(seen) - np.nanmin(seen))
    if rise < LEAST_RISE:
        return PartHeat(
            part, key, evidence, f"the ride was too short or too gentle to tell: it changed by "
            f"only {rise:.1f} K, at least {LEAST_RISE:.0f} K are needed",
        )  # fmt: skip
    motor = kind == "motor"
    model = thermal.fit(
        drive, seen, readings, copper=motor, stage=not motor, order=2 if motor else 1
    )
    air = float(np.mean(drive.air))
    moving = drive.speed[drive.speed > STANDING]
    usual = float(np.mean(moving)) if len(moving) else 0.0
    from_board = limit if limit is not None else _limit(board, f"{kind}_temperature", index)
    chosen, source = (current, "chosen") if current is not None else _current(ride, board, index)
    known = PartHeat(
        part, key, evidence, "", model, from_board, chosen, source, air,
        "measured" if outside is not None else "taken from the part's first readings", usual,
    )  # fmt: skip
    if from_board is None:
        return replace(
            known, reason=f"it needs a temperature_limit of the {kind} in the board file"
        )
    if chosen is None:
        return replace(known, reason="it needs a current to judge by")
    cold, now = (
        thermal.time_to_limit(model, chosen, from_board, air, usual, cold=way)
        for way in (True, False)
    )
    settles = thermal.settles_at(model, chosen, air, usual)
    if not motor and np.isfinite(cold.low) and from_board - air > FARTHEST * rise:
        return replace(
            known, cold=cold, now=now, settles=settles, reason="the ride was too gentle to tell: "
            f"it changed by only {rise:.1f} K, and the limit is {from_board - air:.0f} K above "
            "the air",
        )  # fmt: skip
    known = replace(known, cold=cold, now=now, settles=settles)
    if not np.isfinite(cold.low):
        return known  # not within the horizon by all that the data allow: that is an answer
    if cold.high > VAGUE * cold.low:
        return replace(
            known, reason="the ride was too short or too gentle to tell: from cold anything from "
            f"{_long(cold.low)} to {_long(cold.high)} would fit what was measured",
        )  # fmt: skip
    return known


def _limit(board: BoardFile | None, channel: str, index: int) -> float | None:
    limits = weakest(derive_limits(board), channel, index) if board is not None else ()
    return next((x.value for x in limits if (x.kind, x.direction) == ("limit", "above")), None)


def _current(ride: Ride, board: BoardFile | None, index: int) -> tuple[float | None, str]:
    """Return the current in A to judge by: rated, else the hardest stretch of the ride."""
    if board is not None:
        limits = weakest(derive_limits(board), "motor_current", index)
        for kind in ("limit", "setting"):
            for found in limits:
                if found.kind == kind and found.direction == "above":
                    return found.value, found.arithmetic.partition(": ")[2]
    flow = column(ride, f"motor_current_{index}") or column(ride, "motor_current")
    if flow is None:
        return None, ""
    hardest = Squares(flow).hardest(HARDEST)
    if hardest is None:
        return None, ""
    return hardest[1], f"RMS of this ride's hardest {HARDEST:g} s"


def heat_answer(ride: Ride, board: BoardFile | None) -> Answer:
    """Answer how long the rated current may flow, part by part, the soonest first."""
    parts = part_heats(ride, board)
    told = [p for p in parts if not p.reason and p.cold is not None]
    reached = sorted(
        (p for p in told if p.cold is not None and np.isfinite(p.cold.seconds)),
        key=lambda p: p.now.seconds if p.now is not None else np.inf,
    )
    rest = (p for p in parts if not any(p is one for one in reached))  # they hold arrays
    details = tuple(_words(p) for p in (*reached, *rest))
    if not parts:
        lacks = "it needs motor_temperature or controller_temperature"
        return Answer(KEY, QUESTION, f"Cannot tell: {lacks}.", False)
    evidence = tuple(dict.fromkeys(span for p in told for span in p.evidence))
    if not told:
        reasons = dict.fromkeys(p.reason for p in parts)
        return Answer(
            KEY, QUESTION, f"Cannot tell: {'; '.join(reasons)}.", False, details=details
        )  # fmt: skip
    figures = [figure for p in reached for figure in _figures(p)]
    if not reached:
        verdict = (
            "At its rated current no part that could be judged reaches its temperature limit "
            "within an hour, in the air and at the speed of this ride."
        )
        return Answer(KEY, QUESTION, verdict, True, (), evidence, details)
    first = reached[0]
    assert first.cold is not None and first.now is not None
    verdict = (
        f"{first.part.capitalize()} is first: at {first.current:.3g} A it reaches "
        f"{first.limit:g} °C in {_span(first.cold)} from cold, and in {_span(first.now)} from the "
        "end of this ride."
    )
    return Answer(KEY, QUESTION, verdict, True, tuple(figures), evidence, details)


def _figures(part: PartHeat) -> list[Figure]:
    found = []
    for name, time in (("from cold", part.cold), ("from the end of the ride", part.now)):
        if time is None or not np.isfinite(time.seconds):
            continue
        half = (time.high - time.low) / 2 if np.isfinite(time.high) else None
        found.append(
            Figure(f"{part.part} to {part.limit:g} °C at {part.current:.3g} A, {name}",
                   time.seconds, "s", half,
                   f"heat model fitted to the ride; air {part.air:.0f} °C ({part.air_source}), "
                   f"{3.6 * part.speed:.0f} km/h; current: {part.current_source}")
        )  # fmt: skip
    return found


def _words(part: PartHeat) -> str:
    name = part.part.capitalize()
    if part.reason or part.cold is None or part.now is None:
        return f"{name}: no time to the limit, because {part.reason}."
    where = f"in air of {part.air:.0f} °C ({part.air_source}) at {3.6 * part.speed:.0f} km/h"
    assert part.model is not None
    fit = f"the model misses the readings by {part.model.residual:.1f} K"
    if not np.isfinite(part.cold.seconds):
        return (
            f"{name}: {part.current:.3g} A ({part.current_source}) brings it to about "
            f"{part.settles:.0f} °C in an hour {where}, below its {part.limit:g} °C; {fit}."
        )
    return (
        f"{name}: {part.current:.3g} A ({part.current_source}) brings it to {part.limit:g} °C in "
        f"{_span(part.cold)} from cold and {_span(part.now)} from the end of this ride, {where}; "
        f"{fit}."
    )


def _span(time: TimeToLimit) -> str:
    if time.seconds == 0:
        return "no time at all"
    return f"{_long(time.seconds)} ({_long(time.low)} to {_long(time.high)})"


def _long(seconds: float) -> str:
    """Return a length of time in words: ``48 s``, ``4 min 10 s``, ``more than an hour``."""
    if not np.isfinite(seconds):
        return "more than an hour"
    whole = round(seconds)
    return f"{whole} s" if whole < 100 else f"{whole // 60} min {whole % 60} s"
