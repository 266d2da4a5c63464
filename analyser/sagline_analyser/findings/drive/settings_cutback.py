"""The stated cut-back at low pack voltage held against the ride."""

from collections.abc import Callable

import numpy as np

from ..readings.series import Array
from ..telling.certainty import NOT_SHOWN
from .demand import MotorDemand
from .setting_shown import SettingInForce, Shows, setting_number

NAMES = ("voltage_cutback_start", "voltage_cutback_end")

SURE = 1.0
"""s below the start, at full throttle, from which the ride tells anything (our choice)."""

OFF = 0.08
"""Share of the limit within which a current follows the line of the cut-back (our choice)."""

BEYOND = 0.2
"""Share of the limit by which both currents must be over that line to contradict it (our choice:
sensors, and a controller that averages the voltage)."""

SWEPT = 0.15
"""Share of the limit over which the line must have gone for a current to follow it (our choice)."""


def cutback_settings(
    drive: MotorDemand, motors: int, value_of: Callable[[str], float | None]
) -> list[SettingInForce]:
    """Return what one motor shows of the voltages at which the cut begins and ends, those stated.

    Between the two a controller allows a share of its limit that falls in a straight line from all
    to nothing; whether of the motor's or of the battery's current, the ride has to show.
    """
    start, end = (value_of(name) for name in NAMES)
    if start is None and end is None:
        return []
    if start is None or end is None or start <= end:
        one, other = NAMES if start is not None else NAMES[::-1]
        value = start if start is not None else end
        assert value is not None
        text = f"cannot be checked: {other.replace('_', ' ')} is not stated below it"
        if start is None:
            text = f"cannot be checked: {other.replace('_', ' ')} is not stated"
        return [_result(drive, motors, one, value, Shows.UNTOLD, text)]
    verdict, text, span = _judged(drive, start, end)
    both = f"voltage cutback from {setting_number(start, 'V')} down to {setting_number(end, 'V')}"
    return [
        _result(drive, motors, name, value, verdict, text, span, both)
        for name, value in zip(NAMES, (start, end), strict=True)
    ]


def _result(
    drive: MotorDemand,
    motors: int,
    name: str,
    stated: float,
    verdict: Shows,
    text: str,
    span: tuple[tuple[float, float], ...] = (),
    both: str = "",
) -> SettingInForce:
    """Return the result; the two ends of one cut-back are told in one sentence, ``both``."""
    of = f" of motor {drive.motor}" if motors > 1 else ""
    what = both or f"{name.replace('_', ' ')} of {setting_number(stated, 'V')}"
    says = f"The stated {what}{of}"
    return SettingInForce(
        name, drive.motor, stated, "V", verdict, None, False, None, span, f"{says} {text}."
    )


def _judged(
    drive: MotorDemand, start: float, end: float
) -> tuple[Shows, str, tuple[tuple[float, float], ...]]:
    if drive.voltage is None:
        return Shows.UNTOLD, "cannot be checked: the ride did not measure the pack voltage", ()
    asked = drive.full & np.isfinite(drive.voltage)
    under = asked & (drive.voltage < start - 0.1 * (start - end))
    seconds = float(np.sum(drive.step[under]))
    if seconds < SURE:
        least = float(np.min(drive.voltage[asked])) if asked.any() else np.nan
        why = f"the pack stayed above {least:.1f} V" if least == least else "nobody asked for it"
        return Shows.UNTOLD, f"was not tried at full throttle: {why}", ()
    allowed = np.clip((drive.voltage - end) / (start - end), 0.0, 1.0)
    shares = [
        _share(drive, value, asked & (drive.voltage >= start))
        for value in (drive.current, drive.battery)
    ]
    known = [share for share in shares if share is not None]
    if not known:
        return Shows.UNTOLD, "cannot be told: nothing shows what is allowed above it", ()
    at = np.flatnonzero(under)
    span = ((float(drive.time[at[0]]), float(drive.time[at[-1]])),)
    swept = float(np.ptp(np.quantile(allowed[under], (0.05, 0.95))))
    for what, share in zip(("motor current", "battery current"), shares, strict=True):
        if share is None:
            continue
        off = float(np.nanmedian(np.abs(share[under] - allowed[under])))
        if off <= OFF and swept >= SWEPT:
            return (
                Shows.YES,
                f"shows: the {what} went down with the voltage for {seconds:.1f} s",
                span,
            )
    # Whatever it is a share of, one of the two currents must keep below the line.
    least = np.fmin.reduce([share[under] for share in known])
    over = least > allowed[under] + BEYOND
    passed = float(np.sum(drive.step[under][over]))
    if len(known) == 2 and passed >= SURE and passed > 0.5 * seconds:
        most = float(np.median(drive.current[under][over]))
        low = float(np.median(drive.voltage[under][over]))
        return (
            Shows.NO,
            f"{NOT_SHOWN}: {setting_number(most, 'A')} of motor current still "
            f"flowed at {low:.1f} V, more than it would allow, for {passed:.1f} s",
            span,
        )
    return Shows.UNTOLD, "cannot be told from this ride: another limit held the current lower", span


def _share(
    drive: MotorDemand, value: Array | None, before: "np.typing.NDArray[np.bool_]"
) -> Array | None:
    """Return a current as a share of the most that full throttle got above the start, None where
    the ride shows no such most."""
    if value is None or float(np.sum(drive.step[before & np.isfinite(value)])) < SURE:
        return None
    most = float(np.nanquantile(value[before], 0.98))
    return None if most <= 1.0 else np.asarray(value / most)
