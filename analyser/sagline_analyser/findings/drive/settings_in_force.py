"""Whether each stated setting of the controllers shows in what the ride measured.

A setting is a statement; the controller may run another.  One that was in force shows as a level at
which its quantity was held while everything else moved, or as the limit that the board itself
reports.  A ride that never came near a setting says nothing about it.
"""

import numpy as np

from ..readings.gathered import Gathered
from ..readings.series import Array
from ..readings.unknown import NotKnown
from ..readings.window import between
from ..telling.certainty import NOT_SHOWN
from .demand import LimitLine, MotorDemand, drives, stated_settings
from .plateau import HELD, Plateau
from .setting_shown import SettingInForce, Shows, setting_number
from .settings_braking import braking_settings
from .settings_cutback import cutback_settings

PASSED = 0.05
"""Share by which a quantity must be over a setting to have passed it (our choice)."""

SURE = 1.0
"""s for which a level must have been held to stand against a stated setting (our choice)."""

LIKE = 0.015
"""How far apart two shares of a current may lie to be the same (our choice: a mean's noise)."""

FREE, LOADED = 0.85, 0.2
"""Shares of a limit below which it does not bind, and above which a motor works (our choice)."""

TOGETHER = 5.0
"""s for which two motors have to work below their limits to show how they share (our choice)."""

MOTOR = "motor_current_limit"

__all__ = ["SettingInForce", "Shows", "of_drives", "setting_words", "settings_in_force"]

ELSEWHERE = 0.3
"""Share of a held duty's time in which another limit may bind (our choice): a duty cycle that stays
while a current is held, or the speed stands, is carried there and not held."""


def settings_in_force(
    it: Gathered, start: float | None = None, end: float | None = None
) -> tuple[SettingInForce, ...]:
    """Return every stated limit with what the ride, or its part ``start`` to ``end`` s, shows.

    Those of the motor current, the battery current and the duty cycle are looked for, of braking
    and regeneration, and the cut-back at low voltage, once for each motor; with none stated, or no
    motor current measured, the result is empty.
    """
    if start is not None or end is not None:
        part = between(it.ride, start or 0.0, it.ride.duration if end is None else end)
        it = Gathered(part, it.board)
    found = drives(it)
    return () if isinstance(found, NotKnown) else of_drives(it, found)


def of_drives(it: Gathered, motors: list[MotorDemand]) -> tuple[SettingInForce, ...]:
    """Return the same from the drives of a ride that are built already."""
    value_of = stated_settings(it)
    found = []
    for drive in motors:
        for name, unit, value, line in _limited(drive):
            stated = value_of(name)
            if stated is not None:
                found.append(_hold(drive, motors, name, unit, stated, value, line))
        found += braking_settings(drive, len(motors), value_of)
        found += cutback_settings(drive, len(motors), value_of)
    return tuple(found)


def _limited(
    drive: MotorDemand,
) -> tuple[tuple[str, str, Array | None, LimitLine | None], ...]:
    """Return the settings that limit a drive's own quantities: name, unit, quantity and limit."""
    return (
        (MOTOR, "A", drive.current, drive.motor_limit),
        ("battery_current_limit", "A", drive.battery, drive.battery_limit),
        ("duty_limit", "1", drive.duty, drive.duty_limit),
    )


def _less_asked(drive: MotorDemand, held: Plateau, motors: list[MotorDemand]) -> str:
    """Return why a level below its motor current limit tells nothing of the setting: the motor
    carries less than another one, held at that limit, wherever no limit binds, and as much less or
    more, so that it is asked for less, or its sensor reads less.  Empty where it does not."""
    for other in motors:
        top = other.motor_limit
        if other is drive or top is None or top.held is None or top.source != "setting":
            continue
        share = _share_of(drive, other)
        if share is not None and held.level / top.held.level >= share - LIKE:
            return (
                f"cannot be told from this ride: it was held at {setting_number(held.level, 'A')}, "
                f"but motor {drive.motor} carried {share:.0%} of the current of motor "
                f"{other.motor} below any limit, too, and that one was held at its own: it may not "
                "have been asked for more, or its sensor may read less"
            )
    return ""


def _share_of(drive: MotorDemand, other: MotorDemand) -> float | None:
    """Return the share of another motor's current that this one carries where neither is near a
    limit, None where the ride does not show one."""
    theirs = np.interp(drive.time, other.time, other.current, np.nan, np.nan)
    free = np.isfinite(drive.current) & np.isfinite(theirs) & ~drive.braking
    for _, _, value, limit in _limited(drive):
        if value is not None and limit is not None:
            free &= ~(value > FREE * limit.value)
    if other.motor_limit is not None:
        most = float(np.max(other.motor_limit.value))
        free &= (theirs < FREE * most) & (theirs > LOADED * most)
    if float(np.sum(drive.step[free])) < TOGETHER:
        return None
    return float(np.median(drive.current[free] / theirs[free]))


def setting_words(found: tuple[SettingInForce, ...]) -> tuple[str, ...]:
    """Return one sentence for each setting, those contradicted first."""
    order = {Shows.NO: 0, Shows.UNTOLD: 1, Shows.YES: 2}
    words = (one.text for one in sorted(found, key=lambda one: order[one.verdict]))
    return tuple(dict.fromkeys(words))


def _hold(
    drive: MotorDemand,
    motors: list[MotorDemand],
    name: str,
    unit: str,
    stated: float,
    value: Array | None,
    line: LimitLine | None,
) -> SettingInForce:
    words = name.replace("_", " ")
    of = f" of motor {drive.motor}" if len(motors) > 1 else ""
    says = f"The stated {words} of {setting_number(stated, unit)}{of}"

    def result(
        verdict: Shows,
        text: str,
        seen: float | None = None,
        reported: bool = False,
        spans: tuple[tuple[float, float], ...] = (),
    ) -> SettingInForce:
        return SettingInForce(
            name,
            drive.motor,
            stated,
            unit,
            verdict,
            seen,
            reported,
            reached,
            spans,
            f"{says} {text}.",
        )

    reached = None
    if value is None:
        return result(Shows.UNTOLD, "cannot be checked: the ride did not measure what it limits")
    open_ = drive.hard(0.9) & np.isfinite(value)
    reached = float(np.quantile(value[open_], 0.99)) if open_.any() else None
    if line is not None and line.source == "in force":
        top = line.reported
        same = abs(top / stated - 1) <= 0.01
        spans = () if line.held is None else line.held.spans
        if same:
            return result(Shows.YES, "is the limit that the board reported", top, True, spans)
        return result(
            Shows.NO,
            f"was not in force: the board itself reported {setting_number(top, unit)}",
            top,
            True,
            spans,
        )
    held = None if line is None else line.held
    if line is not None and held is not None:
        off = held.level / stated - 1
        seen = f"held at {setting_number(held.level, unit)} for {held.seconds:.1f} s"
        if line.source == "setting":
            return result(Shows.YES, f"shows: {seen}", held.level, False, held.spans)
        others = _bound_elsewhere(drive, line, held)
        if name == "duty_limit" and others > ELSEWHERE:
            return result(
                Shows.UNTOLD,
                f"cannot be told from this ride: {seen}, but another limit was at work in "
                f"{others:.0%} of that",
                None,
                False,
                held.spans,
            )
        if held.seconds >= SURE or len(held.spans) > 1:
            if name == MOTOR and off < 0 and (why := _less_asked(drive, held, motors)):
                return result(Shows.UNTOLD, why, None, False, held.spans)
            way = "below" if off < 0 else "above"
            return result(
                Shows.NO,
                f"{NOT_SHOWN}: {seen}, {abs(off):.0%} {way} it, so either another "
                "limit was in use or the sensor is off by as much",
                held.level,
                False,
                held.spans,
            )
    passed = _longest_over(drive, value, stated * (1 + PASSED))
    if passed is not None:
        return result(
            Shows.NO,
            f"{NOT_SHOWN}: it was passed for {passed[1] - passed[0]:.1f} s",
            None,
            False,
            (passed,),
        )
    if reached is None:
        return result(Shows.UNTOLD, "was not tried: the rider never asked for a lot")
    return result(
        Shows.UNTOLD,
        f"was not seen at work (reached {setting_number(reached, unit)}): the ride cannot tell "
        "whether it was in force",
    )


def _bound_elsewhere(drive: MotorDemand, line: LimitLine, held: Plateau) -> float:
    """Return the share of a held level's time in which another quantity touched its own limit."""
    inside = np.zeros(len(drive.time), bool)
    for start, end in held.spans:
        inside |= (drive.time >= start) & (drive.time <= end)
    bound = np.zeros(len(drive.time), bool)
    for _, _, value, limit in _limited(drive):
        if value is not None and limit is not None and limit is not line:
            bound |= limit.value - value < limit.tolerance
    whole = float(np.sum(drive.step[inside]))
    return float(np.sum(drive.step[inside & bound])) / whole if whole else 0.0


def _longest_over(drive: MotorDemand, value: Array, level: float) -> tuple[float, float] | None:
    """Return the longest stretch of at least :data:`HELD` s above ``level``, None if none."""
    at = np.flatnonzero(value > level)
    if not len(at):
        return None
    split = np.flatnonzero((np.diff(at) != 1) | drive.gap[at[1:]]) + 1
    runs = [(float(drive.time[r[0]]), float(drive.time[r[-1]])) for r in np.split(at, split)]
    best = max(runs, key=lambda run: run[1] - run[0])
    return best if best[1] - best[0] >= HELD else None
