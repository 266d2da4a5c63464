"""What the way between the cells and the controller lost: a contact or lead that resists."""

import numpy as np

from ..readings.series import Series, interpolate
from .scene import Scene
from .story import quantity, span_text

NEAR_END = 8.0
"""s before the moment over which the loss is taken (our choice)."""

EARLIER = 0.6
"""Share of the minutes before, from their start on, that show what is usual (our choice): a contact
that burns may do so over a good part of the rest."""

AT_LEAST = 0.04
"""Share of the voltage that must be lost beyond the usual, as for a jump (our choice)."""

TIMES, OF_ALL = 2.0, 1.5
"""Times the usual loss at the same current from which a contact is said to resist (our choice): of
the way between cells and controller, and of the whole supply, whose cells' share does not grow."""


def contact_evidence(scene: Scene) -> list[tuple[float, str]]:
    """Return what speaks for a resistance that grew between the cells and the controller.

    With cell voltages it is their sum less the controller's voltage, by Ohm's law; without them
    the step of the voltage when the current ended, held against the steps of the minutes before,
    which the cells themselves may share.
    """
    if scene.voltage is None or scene.current is None or scene.vanished is not None:
        return []
    least = AT_LEAST * abs(scene.usual_voltage)
    if scene.cell_sum is not None and len(scene.cell_sum.time):
        return _by_cells(scene, scene.cell_sum, least)
    return _by_step(scene, least)


def _lost(scene: Scene, cells: Series, start: float, end: float) -> tuple[np.ndarray, np.ndarray]:
    """Return A and the V between cells and controller at the cells' readings, NaN left out."""
    assert scene.voltage is not None and scene.current is not None
    part = scene.readings(cells, start, end)
    load = interpolate(scene.current, part.time)
    lost = part.value - interpolate(scene.voltage, part.time)
    known = np.isfinite(load) & np.isfinite(lost)
    return load[known], lost[known]


def _by_cells(scene: Scene, cells: Series, least: float) -> list[tuple[float, str]]:
    first = float(cells.time[0]) - scene.at
    load, lost = _lost(scene, cells, first, first * (1 - EARLIER))
    near_load, near_lost = _lost(scene, cells, -NEAR_END, 0.0)
    hard = near_load > 0.3 * scene.strongest
    if len(load) < 10 or np.count_nonzero(hard) < 2 or np.ptp(load) < 0.3 * scene.strongest:
        return []
    ohms, offset = np.polyfit(load, lost, 1).tolist()
    scatter = 1.48 * float(np.median(np.abs(lost - ohms * load - offset)))
    amps, now = float(np.median(near_load[hard])), float(np.median(near_lost[hard]))
    usual = max(ohms, 0.0) * amps + offset
    if now - usual < max(least, 5 * scatter) or now - offset < TIMES * (usual - offset):
        return []
    return [
        (
            3.0,
            f"{quantity(now - offset, 'V')} were lost between the cells and the controller at "
            f"{quantity(amps, 'A')} in the {span_text(NEAR_END)} before, where "
            f"{quantity(usual - offset, 'V')} were usual: a contact or a lead that resists",
        )
    ]


def _by_step(scene: Scene, least: float) -> list[tuple[float, str]]:
    assert scene.voltage is not None and scene.current is not None
    first = float(scene.voltage.time[0]) - scene.at
    early = scene.readings(scene.voltage, first, first * (1 - EARLIER))
    fit = scene.slope(early)
    was = scene.readings(scene.voltage, -0.6, -0.1)
    then = scene.readings(scene.voltage, 0.1, 0.9)
    load = scene.readings(scene.current, -0.6, -0.1)
    left = scene.readings(scene.current, 0.1, 0.9)
    if fit is None or not all(map(len, (was, then, load, left))):
        return []
    rise = float(np.median(then.value) - np.median(was.value))
    ended = float(np.median(load.value) - np.median(left.value))
    usual = max(fit[0], 0.0) * ended
    if ended < 0.3 * scene.strongest or rise - usual < least or rise < OF_ALL * usual:
        return []
    return [
        (
            2.0,
            f"the voltage rose by {quantity(rise, 'V')} when {quantity(ended, 'A')} ended, where "
            f"{quantity(usual, 'V')} were usual earlier: something in the supply's way resists",
        )
    ]
