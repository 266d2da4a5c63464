"""Controller settings by their standard names, put into a simulated board."""

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from ..format import UsageError
from ..format.board_tables import SETTINGS
from .parameters import BoardParameters, Limits, Ramp

_FIELDS = {
    "motor_current_limit": "motor_current",
    "brake_current_limit": "brake_current",
    "battery_current_limit": "battery_current",
    "regen_current_limit": "charge_current",
    "duty_limit": "duty_ceiling",
}
"""Standard setting: the field of :class:`Limits` that it sets in every controller."""
STANDARD = tuple(SETTINGS)
"""Names of settings that have an effect."""
_CUTBACK = ("voltage_cutback_start", "voltage_cutback_end")


def apply_settings(
    board: BoardParameters, settings: Iterable[tuple[str, str]]
) -> tuple[BoardParameters, tuple[str, ...]]:
    """Return the board with (name, value) settings in force in each of its controllers, and the
    names that change nothing in a simulation.

    Units as in the board file: A, V, and the duty cycle as a ratio.

    Raises:
        SaglineError: the value of a standard setting is no number that it can have.
    """
    given = dict(settings)
    known = {name: _number(name, text) for name, text in given.items() if name in SETTINGS}
    series = board.pack.series

    def changed(limits: Limits) -> Limits:
        fields: dict[str, Any] = {
            _FIELDS[name]: value for name, value in known.items() if name in _FIELDS
        }
        start, end = (known.get(name) for name in _CUTBACK)
        low = limits.low_voltage
        ramp = Ramp(
            low.start if start is None else start / series,
            low.stop if end is None else end / series,
        )
        if not ramp.start > ramp.stop:
            raise UsageError(
                f"the cutback would end at {ramp.stop * series:g} V, not below its start at "
                f"{ramp.start * series:g} V",
                where=f"--setting {' and '.join(name for name in _CUTBACK if name in known)}",
                remedy="give both, the start above the end",
            )
        return replace(replace(limits, **fields), low_voltage=ramp)

    drives = tuple(
        replace(
            drive, controller=replace(drive.controller, limits=changed(drive.controller.limits))
        )
        for drive in board.drives
    )
    return replace(board, drives=drives), tuple(name for name in given if name not in known)


def _number(name: str, text: str) -> float:
    rule = SETTINGS[name]
    unit = f" in {rule.unit}" if rule.unit else ""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (value >= 0 if rule.low_allowed else value > 0) or value > rule.high:
        raise UsageError(
            f"{text!r} is no {rule.text}",
            where=f"--setting {name}",
            remedy=f"give a number{unit}, such as {rule.example}",
        )
    return value
