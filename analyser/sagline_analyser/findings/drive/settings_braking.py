"""Stated limits of braking held against the ride: the motors' current, and the battery's."""

from collections.abc import Callable

import numpy as np

from ..readings.series import Array, Flags
from ..telling.certainty import NOT_SHOWN
from .demand import AGREES, MotorDemand
from .plateau import HELD, find_plateau
from .setting_shown import SettingInForce, Shows, setting_number

OVER = 0.08
"""Share by which a braking current must be over its setting to have passed it (our choice: a
controller overshoots more as it begins to brake than as it begins to drive)."""

SURE = 1.0
"""s for which a level must have been held, or a setting passed (our choice)."""

FIRM = 0.9
"""Share of the widest brake from which all that is allowed is asked for (our choice)."""


def braking_settings(
    drive: MotorDemand, motors: int, value_of: Callable[[str], float | None]
) -> list[SettingInForce]:
    """Return what one motor shows of its brake-current and regeneration limits, those stated.

    ``value_of`` returns a stated setting by its name.  A limit shows as a level at which the
    current that goes back was held while what would have moved it went on: of the motor's current
    the duty cycle, of the battery's the motor's current.
    """
    found = []
    for name, value, other in (
        ("brake_current_limit", drive.current, drive.duty),
        ("regen_current_limit", drive.battery, drive.current),
    ):
        stated = value_of(name)
        if stated is not None:
            found.append(_held(drive, motors, name, stated, value, other))
    return found


def _held(
    drive: MotorDemand,
    motors: int,
    name: str,
    stated: float,
    flow: Array | None,
    other: Array | None,
) -> SettingInForce:
    # What is limited is the current that goes back: ``flow`` below 0.
    of = f" of motor {drive.motor}" if motors > 1 else ""
    says = f"The stated {name.replace('_', ' ')} of {setting_number(stated, 'A')}{of}"
    reached = None

    def result(
        verdict: Shows,
        text: str,
        seen: float | None = None,
        spans: tuple[tuple[float, float], ...] = (),
    ) -> SettingInForce:
        return SettingInForce(
            name, drive.motor, stated, "A", verdict, seen, False, reached, spans, f"{says} {text}."
        )

    if flow is None:
        return result(Shows.UNTOLD, "cannot be checked: the ride did not measure what it limits")
    braking = (flow < 0) & np.isfinite(flow)
    if float(np.sum(drive.step[braking])) < HELD:
        return result(Shows.UNTOLD, "was not tried: no current went back while braking")
    reached = float(np.quantile(-flow[braking], 0.99))
    read = drive.axis.reading(flow)
    even = -read.even
    grain = min(read.grain, AGREES * stated)  # of two levels alone it is their distance
    firm = braking & _firm(drive)
    size = None if other is None else np.abs(other)
    for near in (None, stated):
        held = find_plateau(drive.time, drive.gap, drive.step, even, size, firm, near, grain)
        if held is None:
            continue
        seen = f"held at {setting_number(held.level, 'A')} for {held.seconds:.1f} s of braking"
        if abs(held.level - stated) <= AGREES * stated:
            return result(Shows.YES, f"shows: {seen}", held.level, held.spans)
        # A weak brake is held by the hand: less than stated says something of a firm one only.
        below = held.level < stated
        if held.seconds >= SURE and (not below or (near is None and _wide(drive))):
            way = "below" if below else "above"
            return result(
                Shows.NO,
                f"{NOT_SHOWN}: {seen}, {abs(held.level / stated - 1):.0%} {way} it, "
                "so either another limit was in use or the sensor is off by as much",
                held.level,
                held.spans,
            )
    over = even > stated * (1 + OVER) + 4 * read.noise
    seconds = float(np.sum(drive.step[over & braking]))
    if seconds >= SURE:
        at = np.flatnonzero(over & braking)
        return result(
            Shows.NO,
            f"{NOT_SHOWN}: it was passed for {seconds:.1f} s",
            None,
            ((float(drive.time[at[0]]), float(drive.time[at[-1]])),),
        )
    return result(
        Shows.UNTOLD,
        f"was not seen at work (reached {setting_number(reached, 'A')}): the ride cannot tell "
        "whether it was in force",
    )


def _firm(drive: MotorDemand) -> Flags:
    """Return where the brake asks for all there is: held wide, or where no brake is recorded."""
    if not drive.braking.any() or drive.brake is None:
        return np.ones(len(drive.time), bool)
    widest = float(np.nanquantile(drive.brake, 0.999))
    return np.asarray(drive.brake >= FIRM * widest)


def _wide(drive: MotorDemand) -> bool:
    """Whether the brake was ever pressed nearly all the way."""
    return drive.brake is not None and float(np.nanquantile(drive.brake, 0.999)) >= FIRM
