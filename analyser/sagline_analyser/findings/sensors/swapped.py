"""Left and right swapped: a motor's reading that follows the other motor."""

import numpy as np

from ..readings.series import Array
from .doubt import Spans
from .look import Look, peak_of
from .side_evidence import Ohm, by_heat, by_ohm

SHARE, SURE = 0.15, 5.0
"""Share of what the motors' own law asks for, and standard errors, by which a difference must go
the wrong way round."""

FASTER = 8.0
"""The same standard errors of speeds, which two wheels on one road have nearly in common."""

CROSSED, STRAIGHT = 6.0, 3.0
"""Logarithm of the likelihood ratio by which temperatures must follow the other side in all, and
from which a witness says that they follow their own."""

WITNESS = 1.0
"""Logarithm of the likelihood ratio from which one of the witnesses counts as such; two are needed
(each temperature's own heat, and the rise of the windings' resistance): where only one of two
temperatures fits better crosswise, no plug was swapped, the motors are unequal."""


def check_swapped(look: Look) -> None:
    """Note pairs of channels that fit better crosswise than straight."""
    currents, duties = look.keys("motor_current"), look.keys("duty_cycle")
    if len(currents) != 2:
        return
    ohm = by_ohm(look)
    if ohm is not None:
        _by_ohm(look, currents, ohm)
    controllers = look.keys("controller_battery_current")
    if len(controllers) == 2 and len(duties) == 2:
        told = [look.at(c) * look.at(d) for c, d in zip(currents, duties, strict=True)]
        _crosswise(look, controllers, told, "the motors' currents and duty cycles")
    for name in ("motor_temperature", "controller_temperature"):
        keys = look.keys(name)
        if len(keys) == 2:
            _by_heat(look, keys, currents, ohm, name == "motor_temperature")


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
    if np.count_nonzero(used) * look.step < 10 or min(np.std(one[used]), np.std(two[used])) < 0.02:
        return
    r = float(np.corrcoef(one[used], two[used])[0, 1])
    if r < -0.6:
        _note(
            look,
            keys,
            f"Where one was above the other, {words} said the other way round (correlation of the "
            f"differences {r:+.2f}).",
        )


def _by_ohm(look: Look, currents: list[str], ohm: Ohm) -> None:
    """Note motor currents, or motor speeds, that belong to the other duty cycle."""
    turning = look.turning()[0]
    for keys, what, (share, sure), least in (
        (turning, "speed", ohm.speed, FASTER),
        (currents, "current", ohm.current, SURE),
    ):
        if share < -SHARE and sure < -least:
            _note(
                look,
                keys,
                f"Where one had more {what}, its duty cycle was the lower one "
                f"({abs(sure):.0f} times the standard error).",
            )


def _by_heat(
    look: Look, keys: list[str], currents: list[str], ohm: Ohm | None, winding: bool
) -> None:
    """Note two temperatures that go with the other motor; or the currents where these may be what
    was swapped.

    Heat alone cannot tell swapped currents from swapped temperatures: where Ohm's law does not say
    that the currents are their own, it is the rise of resistance that decides, or nothing does.
    """
    heat = by_heat(look, keys, currents)
    if heat is None:
        return
    rise = ohm.rise if ohm is not None and winding else 0.0
    known = ohm is not None and ohm.current[1] > SURE
    crossed = sum(heat) < -CROSSED and max(heat) < -WITNESS
    if crossed and not known and rise > STRAIGHT:
        if look.keys("motor_current") == currents:
            _note(look, currents, f"{_followed(sum(heat))} {_RISE_OWN}")
        return
    if crossed and not known and abs(rise) <= STRAIGHT:
        either = (
            "Whether these are swapped or the motors' currents cannot be told, so neither is used."
        )
        _note(look, [*keys, *currents], f"{_followed(sum(heat))} {either}")
        return
    witnesses = sum(ratio < -WITNESS for ratio in (*heat, rise))
    if sum(heat) + rise < -CROSSED and witnesses >= 2:
        evidence = _followed(sum(heat)) if sum(heat) < -WITNESS else ""
        more = _RISE_OTHER if rise < -WITNESS else ""
        _note(look, keys, " ".join(filter(None, (evidence, more))))


_RISE_OWN = "Each winding's resistance rose with its own temperature, so it is the currents."
_RISE_OTHER = "Each winding's resistance rose with the other's temperature."


def _followed(heat: float) -> str:
    return (
        "The temperatures followed the other side's squared current better than their own side's "
        f"(logarithm of the likelihood ratio {-heat:.0f})."
    )
