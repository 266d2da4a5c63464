"""Whether the rider said that a pack set out just charged.

A mark ``full`` says so of the pack in the vehicle at that moment, the setting ``pack_charge=full``
(``record --setting pack_charge=full``) of the one that the ride began with.  On cells of a flat
curve nothing else in a ride tells how full they were.
"""

from .gathered import Gathered
from .packs import PackSpan, during
from .series import Series, integral
from .unknown import NotKnown

MARKS = ("full", "full pack", "pack full", "charged")
SETTING = "pack_charge"

DRAWN = 0.03
"""Share of the stated capacity up to which a mark still speaks of the start."""

MOVING, LOADED = 1.0, 0.5
"""m/s, or share of the mean current where no speed is known, from which a first reading was taken
under way (our choice)."""


def said_full(it: Gathered, span: PackSpan, capacity: float | None) -> bool:
    """Return whether ``span`` was said to begin with a full pack; ``capacity`` is the stated Ah,
    without which a mark counts within the first minute only."""
    if span.number == 1 and it.ride.settings.get(SETTING, "").strip().casefold() == "full":
        return True
    current = it.current
    for mark in it.ride.marks:
        text = mark.text.strip().casefold()
        if text not in MARKS or not span.start <= mark.time <= span.end:
            continue
        if mark.time - span.start < 60.0:
            return True
        if current is not None and capacity is not None:
            before = PackSpan(span.number, span.start, mark.time)
            if abs(integral(during(current.series, before))) / 3600 < DRAWN * capacity:
                return True
    return False


def under_way(it: Gathered, span: PackSpan) -> bool:
    """Return whether the vehicle already moved when the readings of ``span`` began: a pack that was
    full when it set out is no longer, by what nobody has seen."""
    speed = it.speed
    if not isinstance(speed, NotKnown):
        return _first(during(speed.series, span)) > MOVING
    if it.current is None:
        return False
    current = during(it.current.series, span)
    return _first(current) > LOADED * max(integral(current) / max(span.end - span.start, 1.0), 0.0)


def _first(series: Series) -> float:
    return float(series.value[0]) if len(series) else 0.0
