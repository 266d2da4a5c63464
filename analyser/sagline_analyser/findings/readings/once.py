"""What several answers ask of one ride is worked out once and kept for as long as the ride is.

Likewise of a ride with its board file and what is gathered from both (:mod:`.gathered`).
"""

import weakref
from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar, TypeVarTuple

Of = TypeVar("Of")
About = TypeVarTuple("About")
Result = TypeVar("Result")

_Kept = dict[tuple[object, ...], tuple[object, Any]]
_KEPT: dict[int, tuple[weakref.ref[Any], _Kept]] = {}
"""By identity: two rides of equal content share nothing."""


def once(work: Callable[[Of, *About], Result]) -> Callable[[Of, *About], Result]:
    """Make a function of a ride return what it returned before for the same ride and the same
    other arguments: equal texts, otherwise the very same objects.

    A ride is never changed, only replaced, so what was worked out of it stays true.
    """

    @wraps(work)
    def kept(ride: Of, *about: *About) -> Result:
        key = (work, *(x if isinstance(x, str) else id(x) for x in about))
        results = _of(ride)
        if key not in results:
            # The arguments stay with it: the identity of what is gone is given to others.
            results[key] = about, work(ride, *about)
        found: Result = results[key][1]
        return found

    return kept


def _of(ride: object) -> _Kept:
    """Return what is kept of a ride, which goes when the ride goes."""
    place = id(ride)
    if place not in _KEPT:
        _KEPT[place] = weakref.ref(ride, lambda _: _KEPT.pop(place, None)), {}
    return _KEPT[place][1]
