"""In what unit a column of times counts, told by its steps where no title says so."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from statistics import median

_DAY = 86_400
_RIDE = 12 * 3600  # s; no ride with a row at every step is taken to be longer
_NAMES = {"s": "seconds", "ms": "milliseconds", "us": "microseconds"}
_PER_SECOND = {"s": 1, "ms": 1000, "us": 1_000_000}
_EPOCH = (20 * 365 * _DAY, 100 * 365 * _DAY)  # s from 1970: 1990 to 2070


@dataclass(frozen=True, slots=True)
class TimeGuess:
    """``unit`` is s, ms or us; ``why`` says in one line what was assumed, and from what."""

    unit: str
    since_1970: bool
    why: str


def guess_time(times: Sequence[Decimal], rows: int) -> TimeGuess:
    """Guess from the first times of ``rows`` in all.

    Common practice, no source: a board's clock counts milliseconds or microseconds in whole
    numbers, a program's seconds with decimals; a table of a ride has between a thousand rows a
    second and one in some minutes, and is shorter than half a day.
    """
    for unit in ("us", "ms", "s"):
        if times and all(_EPOCH[0] < one / _PER_SECOND[unit] < _EPOCH[1] for one in times):
            return TimeGuess(unit, True, f"{_NAMES[unit]} since 1970, by their size")
    steps = sorted(later - one for one, later in pairwise(times) if later > one)
    if not steps:
        return TimeGuess("s", False, "seconds, as nothing tells otherwise")
    step = median(steps)
    whole = all(one == one.to_integral_value() for one in times)
    # A clock of whole seconds does not waver, one of milliseconds does.
    wavering = steps[-1] > steps[0] and step >= 4
    if not whole and step < 10:
        unit = "s"
    elif step >= 5000:
        unit = "us"
    elif step >= 10 or wavering or step * rows > _RIDE:
        unit = "ms"
    else:
        unit = "s"
    seconds = step / _PER_SECOND[unit]
    pace = f"{seconds.normalize():f} s between rows"
    if seconds < 1:
        pace = f"{1 / float(seconds):.4g} rows a second"
    return TimeGuess(
        unit, False, f"{_NAMES[unit]}, by steps of {step.normalize():f}, which makes {pace}"
    )
