"""Left and right swapped: a motor's reading that follows the other motor."""

import numpy as np

from ..series import Array
from .doubt import Spans
from .look import Look, peak_of

WINDOW = 10.0
"""s over which warming is held against the squared current."""

FEWEST = 12
"""Windows needed."""

BETTER = 0.35
"""Share of the unexplained that may be left when the two are taken crosswise."""


def check_swapped(look: Look) -> None:
    """Note pairs of channels that fit better crosswise than straight."""
    pair = [look.keys(name) for name in ("motor_current", "duty_cycle")]
    turning = look.turning()[0]
    if len(pair[0]) != 2:
        return
    if len(pair[1]) == 2 and len(turning) == 2:
        _crosswise(look, turning, [look.at(k) for k in pair[1]], "the duty cycles")
    controllers = look.keys("controller_battery_current")
    if len(controllers) == 2 and len(pair[1]) == 2:
        told = [look.at(c) * look.at(d) for c, d in zip(*pair, strict=True)]
        _crosswise(look, controllers, told, "the motors' currents and duty cycles")
    squares = [np.nan_to_num(look.at(key)) ** 2 for key in pair[0]]
    for name in ("motor_temperature", "controller_temperature"):
        keys = look.keys(name)
        if len(keys) == 2:
            _warming(look, keys, squares)


def _all(look: Look) -> Spans:
    return ((float(look.time[0]), float(look.time[-1])),)


def _note(look: Look, keys: list[str], evidence: str) -> None:
    for key in keys:
        look.add(key, "left and right swapped", evidence, _all(look))


def _crosswise(look: Look, keys: list[str], told: list[Array], words: str) -> None:
    """Note two channels whose difference goes against the difference of what tells them."""
    own = [look.at(key) for key in keys]
    own = [v / max(peak_of(np.concatenate(own)), 1e-9) for v in own]
    told = [v / max(peak_of(np.concatenate(told)), 1e-9) for v in told]
    one, two = own[0] - own[1], told[0] - told[1]
    used = np.isfinite(one) & np.isfinite(two)
    if np.count_nonzero(used) * look.step < 10 or np.std(one[used]) < 0.02:
        return
    r = float(np.corrcoef(one[used], two[used])[0, 1])
    if r < -0.6:
        _note(
            look, keys,
            f"Where one was above the other, {words} said the other way round (correlation of the "
            f"differences {r:+.2f}).",
        )  # fmt: skip


def _warming(look: Look, keys: list[str], squares: list[Array]) -> None:
    """Note two temperatures each of which warms by the other motor's current.

    Over each window a part warms by a · i² - b · (T - T₀); the fit of both parts, each with its
    own a, b and T₀, is made straight and crosswise.
    """
    width = max(2, round(WINDOW / look.step))
    count = len(look.time) // width
    if count < FEWEST:
        return
    heat = [s[: count * width].reshape(count, width).mean(axis=1) for s in squares]
    ends = []
    for key in keys:
        value = look.at(key)[: count * width].reshape(count, width)
        fifth = max(1, width // 5)
        with np.errstate(invalid="ignore"):
            known = np.isfinite(value).all(axis=1)
        ends.append((value[:, :fifth].mean(axis=1), value[:, -fifth:].mean(axis=1), known))
    left = {}
    for way in ("straight", "crosswise"):
        total, whole = 0.0, 0.0
        for i in range(2):
            start, end, known = ends[i]
            if np.count_nonzero(known) < FEWEST:
                return
            warmed = (end - start)[known]
            own = heat[i if way == "straight" else 1 - i][known]
            table = np.column_stack([np.ones(len(own)), own / max(float(own.max()), 1.0),
                                     start[known]])  # fmt: skip
            fit = np.linalg.lstsq(table, warmed, rcond=None)[0]
            if fit[1] <= 0:
                total += float(np.sum((warmed - warmed.mean()) ** 2))
            else:
                total += float(np.sum((warmed - table @ fit) ** 2))
            whole += float(np.sum((warmed - warmed.mean()) ** 2))
        left[way] = total / max(whole, 1e-12)
    if left["crosswise"] < BETTER * left["straight"] and left["crosswise"] < 0.5:
        _note(
            look, keys,
            f"Each warmed with the other side's squared current: crosswise "
            f"{100 * left['crosswise']:.0f} % of the warming stays unexplained, straight "
            f"{100 * left['straight']:.0f} %.",
        )  # fmt: skip
