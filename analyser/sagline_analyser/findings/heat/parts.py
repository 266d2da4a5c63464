"""Every motor and controller with a temperature: its model, and its times to its limit."""

from dataclasses import dataclass, replace

import numpy as np

from sagline_logger.format import BoardFile

from ...load.ride import Ride
from ..drive.demand import STANDING
from ..limits.parts import Squares
from ..readings.electric import present
from ..readings.gathered import Gathered
from ..readings.series import Series, column, numbered
from ..readings.summary import words
from ..readings.unknown import NotKnown
from .drive import grid
from .fit import CASE, STAGE, WINDING, AirDoubt, ThermalFit, fit, usable
from .times import (
    HORIZON,
    OnCase,
    Settling,
    TimeToLimit,
    on_case,
    settling,
    time_to_limit,
)

LEAST_TIME = 60.0
"""s of temperature readings below which no model is fitted (our choice)."""

LEAST_RISE = 4.0
"""K that a part must have warmed or cooled by: four steps of a whole-degree sensor (our choice)."""

VAGUE = 6.0
"""Ratio of the interval's ends above which the ride was too short or gentle (our choice)."""

WORTH = 30.0
"""s from which a told time is worth telling however late the interval ends (our choice)."""

FARTHEST = 4.0
"""Times the temperature span seen that a limit may lie above the air (our choice)."""

HARDEST = 60.0
"""s of the ride's hardest stretch, whose RMS current is used where the board states no other."""

HARD = f"RMS of this ride's hardest {HARDEST:g} s"
"""What that is called."""

MEASURED = (AirDoubt(0.0, 3.0, measured=True),)
"""K: two thermometers and what the sun adds (our choice)."""

ROWS = 4000
"""Rows of readings of a ride whose medians are looked at for the lowest."""

ALIKE = 3.0
"""K within which the machine's thermometers agree at first if it had stood long (our choice)."""

COLD = AirDoubt(0.0, 0.7, 0.4), AirDoubt(-5.0, 0.7, 0.3), AirDoubt(-13.0, 1.0, 0.3)
"""What the air may be where none was measured, from the machine's lowest reading on: a machine that
was ridden has thermometers that agree, too, after some minutes' rest (our choice, on
tests/trust/heat_bench.py)."""

WARM = AirDoubt(-1.0, 0.7, 0.3), AirDoubt(-8.0, 0.7, 0.35), AirDoubt(-20.0, 1.0, 0.35)
"""The same where the thermometers do not agree at first: it is warm (our choice)."""


UNMEASURED = (
    "not measured: the lowest reading of the machine's thermometers; colder air is allowed for"
)
UNSTATED = "the board file does not say where its sensor sits (temperature_sensor of the motor)"
ON_CASE = "a sensor on the case does not show how hot the winding gets"


@dataclass(frozen=True)
class PartHeat:
    """One motor or controller.

    ``limit`` in °C and ``current`` in A (with where each came from) are what the times refer to,
    in ``air`` °C at ``speed`` m/s.  ``cold`` starts with everything at air temperature, ``now``
    at the end of the ride.  A motor's limit is its winding's: ``sensor`` is "winding", "case" or,
    where the board file does not say, empty.  ``reason`` says why no time is told; the model is
    there all the same where one could be fitted.  Of a sensor on the case no time is told, because
    how much hotter the winding gets is no more than what motors have in common: ``on_case`` tells
    what is known.  Where nobody knows where the sensor sits, ``cold`` and ``now`` hold on the
    ``condition`` that it sits in the winding.
    """

    part: str
    key: str
    evidence: tuple[tuple[float, float], ...]
    reason: str = ""
    model: ThermalFit | None = None
    sensor: str = ""
    limit: float | None = None
    current: float | None = None
    current_source: str = ""
    air: float = 20.0
    air_source: str = ""
    speed: float = 0.0
    speed_known: bool = False
    cold: TimeToLimit | None = None
    now: TimeToLimit | None = None
    settles: Settling | None = None
    on_case: OnCase | None = None
    motor: bool = False
    """Whether it is a motor."""

    @property
    def condition(self) -> bool:
        """Whether times are there that hold only if the sensor sits in the winding."""
        return self.reason == UNSTATED and self.cold is not None and self.now is not None


def part_heats(
    it: Gathered,
    current: float | None = None,
    limit: float | None = None,
) -> tuple[PartHeat, ...]:
    """Fit every motor and controller that has a temperature.

    ``current`` (A) and ``limit`` (°C) replace what the board file states.
    """
    keys = [
        key
        for kind in ("motor", "controller")
        for key, _ in present(it.ride, f"{kind}_temperature")
    ]
    return tuple(part_heat(it, key, current, limit) for key in keys)


def part_heat(
    it: Gathered,
    key: str,
    current: float | None = None,
    limit: float | None = None,
) -> PartHeat:
    """Fit the part whose temperature is in column ``key``; see :func:`part_heats`."""
    ride, board = it.ride, it.board
    stream, temperature = ride.find(key), column(ride, key)
    if stream is None or temperature is None:
        return PartHeat(key, key, (), "it has no readings")
    channel = stream.channels[key]
    motor, index = channel.name == "motor_temperature", channel.index or 1
    kind = "motor" if motor else "controller"
    part = words(ride, key).replace(" temperature", "")
    start, end = float(temperature.time[0]), float(temperature.time[-1])
    known = PartHeat(part, key, ((start, end),), motor=motor)
    flow = numbered(ride, "motor_current", index) or numbered(ride, "motor_current", 0)
    if flow is None:
        return replace(known, reason="it needs the channel motor_current")
    if end - start < LEAST_TIME:
        return replace(
            known,
            reason=f"the ride was too short to tell: {end - start:.0f} s of "
            f"temperatures, at least {LEAST_TIME:.0f} s are needed",
        )
    speed = None if isinstance(it.speed, NotKnown) else it.speed.series
    outside = column(ride, "ambient_temperature")
    guess, airs = _unmeasured_air(ride, temperature)
    drive, seen, readings = grid(flow, speed, outside, temperature, guess)
    rise = float(np.nanmax(seen) - np.nanmin(seen))
    if rise < LEAST_RISE:
        return replace(
            known,
            reason="the ride was too short or too gentle to tell: it changed by "
            f"only {rise:.1f} K, at least {LEAST_RISE:.0f} K are needed",
        )
    if not np.any(usable(drive, seen, readings)):
        return replace(known, reason="its temperature and the current are never known together")
    if outside is not None:
        airs = MEASURED
    sensor = _sensor(board, index) if motor else ""
    plausible = STAGE if not motor else CASE if sensor == "case" else WINDING
    model = fit(drive, seen, readings, plausible, airs)
    moving = drive.speed[drive.speed > STANDING]
    from_board = limit if limit is not None else _limit(it, channel.name, index)
    chosen, source = (current, "chosen") if current is not None else _current(it, index)
    known = replace(
        known,
        model=model,
        sensor=sensor,
        limit=from_board,
        current=chosen,
        current_source=source,
        air=float(np.mean(drive.air)),
        air_source="measured" if outside is not None else UNMEASURED,
        speed=float(np.mean(moving)) if len(moving) else 0.0,
        speed_known=speed is not None,
    )
    if from_board is None:
        return replace(
            known, reason=f"it needs a temperature_limit of the {kind} in the board file"
        )
    if chosen is None:
        return replace(known, reason="it needs a current to judge by")
    return _timed(known, model, chosen, from_board, rise)


def _timed(
    part: PartHeat, model: ThermalFit, current: float, limit: float, rise: float
) -> PartHeat:
    """Return the part with its times, or the reason why none is told."""
    air, speed = part.air, part.speed
    if part.sensor == "case":
        shown = on_case(model, current, limit, air, speed)
        ends = settling(model, current, limit, air, speed)
        return replace(part, on_case=shown, settles=ends, reason=ON_CASE)
    cold, now = (
        time_to_limit(model, current, limit, air, speed, cold=way) for way in (True, False)
    )
    part = replace(
        part,
        cold=cold,
        now=_no_later(now, cold),
        settles=settling(model, current, limit, air, speed),
    )
    if limit - air > FARTHEST * rise:
        return replace(
            part,
            reason=f"the ride was too gentle to tell: it changed by only {rise:.1f} K, and "
            f"the limit is {limit - air:.0f} K above the air",
        )
    if cold.low < WORTH and cold.high > VAGUE * cold.low:
        return replace(
            part,
            reason="the ride was too short or too gentle to tell: from cold anything from "
            f"{long(cold.low)} to {long(cold.high)} would fit what was measured",
        )
    return replace(part, reason=UNSTATED) if part.motor and not part.sensor else part


def _no_later(now: TimeToLimit, cold: TimeToLimit) -> TimeToLimit:
    """Return the times from the ride's end, none later than from cold: what starts warmer is warmer
    at any time, and settles where the other does."""
    first = min(now, cold, key=lambda one: one.order)
    return replace(first, likely=min(now.likely, cold.likely), high=min(now.high, cold.high))


def _unmeasured_air(ride: Ride, temperature: Series) -> tuple[float, tuple[AirDoubt, ...]]:
    """Return the lowest reading of the machine's own thermometers in °C, for the air is no warmer,
    and what the air may be."""
    found = [
        series
        for kind in ("motor", "controller", "battery")
        for _, series in present(ride, f"{kind}_temperature")
    ] or [temperature]
    firsts = [float(np.median(series.value[:5])) for series in found]
    lowest = min(*firsts, *(_lowest(series) for series in found))
    alike = len(firsts) > 1 and max(firsts) - min(firsts) <= ALIKE
    return lowest, COLD if alike else WARM


def _lowest(series: Series) -> float:
    """Return the lowest value that some readings in a row agree on: the median of the lowest row,
    of five readings each, or of a long ride of more."""
    row = min(max(5, len(series) // ROWS), len(series))
    whole = len(series) // row * row
    return float(np.median(series.value[:whole].reshape(-1, row), axis=1).min())


def _sensor(board: BoardFile | None, index: int) -> str:
    """Return where the board file says that motor ``index``'s sensor sits, else nothing."""
    motors = [m for m in board.motors for _ in range(m.count)] if board is not None else []
    return (motors[index - 1].temperature_sensor or "") if index <= len(motors) else ""


def _limit(it: Gathered, channel: str, index: int) -> float | None:
    found = it.rated(channel, "above", index)
    return None if found is None else found.value


def _current(it: Gathered, index: int) -> tuple[float | None, str]:
    """Return the current in A to judge by: rated, else the hardest stretch of the ride."""
    for kind in ("limit", "setting"):
        for found in it.nearest("motor_current", index):
            if found.kind == kind and found.direction == "above":
                return found.value, found.arithmetic.partition(": ")[2]
    flow = numbered(it.ride, "motor_current", index) or numbered(it.ride, "motor_current", 0)
    if flow is None:
        return None, ""
    hardest = Squares(flow).hardest(HARDEST)
    if hardest is None:
        return None, ""
    return hardest[1], HARD


def long(seconds: float) -> str:
    """Return a length of time in words: ``48 s``, ``4 min 10 s``, ``more than an hour``."""
    if not np.isfinite(seconds) or seconds > HORIZON:
        return "more than an hour"
    whole = round(seconds)
    return f"{whole} s" if whole < 100 else f"{whole // 60} min {whole % 60} s"
