"""How long a constant current may flow before a fitted part is at its limit, and how sure."""

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from ..readings.series import Array
from .fit import ThermalFit
from .lumps import Rates, steady_path

HORIZON = 3600.0
"""s beyond which a time to the limit is not computed: "more than an hour"."""

TAIL = 0.05
"""Share beyond each end of an interval."""

COOLER = 0.045
"""Share of the draws below the cool end of how warm a part gets in an hour: the hotter it is, the
more cools it, and the less of that a ride shows (our choice, on tests/trust/heat_bench.py)."""

GUARD = 1.2
"""Times the doubt of all that is fitted or missed at which no draw may reach the limit where it is
told that the part stays below it (our choice, on tests/trust/heat_bench.py: a ride of some minutes
shows little of what an hour's heat does to the case)."""

READS = 0.45
"""K (1 standard deviation) by which the last reading may be off; what lumps miss comes on top."""

GROWS = 500.0
"""s after which the doubt of what the ride's end has left in the part's other masses, which nothing
reads, has half grown to what it becomes: at first the reading alone counts (our choice).  It takes
longer, and those masses are known better, after a ride that lasted: see :func:`_unread`."""

STORED = 0.02
"""Share (1 standard deviation) of its rise by which a case that nothing reads may be warmer or
colder at the ride's end: it is more than one mass (our choice)."""

KEPT = 0.6
"""Times the shares of the draws outside an interval's ends that are left where no air was measured:
which air most draws have is a guess (our choice, on tests/trust/heat_bench.py)."""

UNSEEN, TAKES_UP = 0.28, 6000.0
"""Share (1 standard deviation, one way) by which a part rises more slowly from cold than a ride
shows that began as warm as it ended, for masses that were warm by then took up nothing; and the s
in which they do (our choice, on tests/trust/heat_bench.py)."""


OF_THAT = 0.5
"""Share of that which counts for how warm the part is after the hour (our choice, likewise)."""


class _Doubted(Protocol):
    """By so many times the doubt; with what the ride was too short to show if ``longer``, and a
    share ``slower`` than it showed."""

    def __call__(
        self,
        path: Array,
        widening: float = 1.0,
        *,
        longer: bool = False,
        slower: Array | float = 0.0,
    ) -> Array: ...


@dataclass(frozen=True)
class TimeToLimit:
    """s to the limit, infinite where it is not reached within :data:`HORIZON`.

    ``seconds`` is the told one: 19 in 20 such parts take at least as long.  ``likely`` is in the
    middle, ``low`` to ``high`` the 90 % interval.  Where 19 in 20 do not reach it within the hour,
    but the ride does not rule it out, ``sure`` is False and ``seconds`` the soonest not ruled out.
    """

    seconds: float
    likely: float
    low: float
    high: float
    sure: bool = True

    @property
    def order(self) -> float:
        """What comes first has the least: what is only not ruled out stands behind all times."""
        return self.seconds if self.sure else HORIZON + self.seconds

    @property
    def below(self) -> bool:
        """Whether the part stays below its limit for the hour by all that the data allow."""
        return bool(np.isinf(self.seconds))


@dataclass(frozen=True)
class Settling:
    """°C after the hour from cold: the middle of the draws, and the 90 % interval."""

    likely: float
    low: float
    high: float


@dataclass(frozen=True)
class OnCase:
    """What a sensor on the case shows after the hour from cold, in °C, and the K by which 19 in 20
    such windings are hotter than it then."""

    case: Settling
    hotter: float


def time_to_limit(
    model: ThermalFit, current: float, limit: float, air: float, speed: float, *, cold: bool
) -> TimeToLimit:
    """Return how long ``current`` (A) may flow before the part is at ``limit`` (°C), in ``air`` °C
    at ``speed`` m/s, from ``cold`` (all at air temperature) or from the end of the ride."""
    passes = np.concatenate([[0.0], np.geomspace(0.5, HORIZON, 200)])
    part, _, doubted = _paths(model, current, limit, air, speed, passes, cold)
    unseen = _unseen(model, air) if cold else np.zeros(part.shape[1])
    slower = unseen * np.exp(-passes / TAKES_UP)[:, None]

    def reached(path: Array) -> Array:
        """Return the s at which each draw is at the limit."""
        over = path >= limit
        at = np.maximum(over.argmax(axis=0), 1)
        column = np.arange(part.shape[1])
        before, after = path[at - 1, column], path[at, column]
        share = np.clip((limit - before) / np.where(after > before, after - before, 1.0), 0, 1)
        found = passes[at - 1] + share * (passes[at] - passes[at - 1])
        found = np.where(over.any(axis=0), found, np.inf)
        return np.where(over[0], 0.0, found)

    # A mass that the ride was too short for makes a time sooner, what a ride that began warm leaves
    # unseen makes it later: each moves its own end only.
    early, later = _outside(model, cold)
    low = np.quantile(reached(doubted(part, longer=True)), early, method="nearest")
    late = reached(doubted(part, slower=slower))
    likely, high = np.quantile(late, [0.5, 1 - later], method="nearest")
    sure = True
    if np.isinf(low):
        full = replace(model.plausible, soaks=np.inf)
        wide = replace(model, draws=_wider(model.draws, GUARD), plausible=full)
        part, _, doubted = _paths(wide, current, limit, air, speed, passes, cold)
        low = reached(doubted(part, GUARD, longer=True)).min()
        sure = bool(np.isinf(low))
    return TimeToLimit(float(low), float(likely), float(low), float(high), sure)


def _outside(model: ThermalFit, cold: bool) -> tuple[float, float]:
    """Return the shares of the draws before an interval's early, and behind its late end."""
    begins, kept = 0 if cold else 1, 1.0 if model.measured else KEPT
    return kept * model.plausible.early[begins], kept * model.plausible.late[begins]


def _wider(draws: Rates, factor: float) -> Rates:
    """Return the draws with each rate ``factor`` times as far from their middle (in logarithms)."""

    def spread(value: Array) -> Array:
        middle = value.mean()
        return np.asarray(middle + factor * (value - middle))

    wide = {}
    for name in Rates.__dataclass_fields__:
        value = getattr(draws, name)
        if name == "offset":  # a difference of temperatures, of either sign
            wide[name] = spread(value)
        else:  # a part has a rate in all draws or, 0, in none
            wide[name] = np.exp(spread(np.log(value))) if value.all() else value
    return Rates(**wide)


def settling(model: ThermalFit, current: float, limit: float, air: float, speed: float) -> Settling:
    """Return how warm the part is after :data:`HORIZON` s of ``current`` (A) from cold: its warm
    end lies above ``limit`` where :func:`time_to_limit` tells a time."""
    part, _, doubted = _paths(model, current, limit, air, speed, np.array([HORIZON]), cold=True)
    above, _ = _outside(model, cold=True)
    slower = OF_THAT * _unseen(model, air) * np.exp(-HORIZON / TAKES_UP)
    likely = float(np.quantile(doubted(part)[-1], 0.5))
    low = float(np.quantile(doubted(part, slower=slower)[-1], COOLER))
    return Settling(likely, min(low, likely), _warm_end(part, doubted, above))


def on_case(model: ThermalFit, current: float, limit: float, air: float, speed: float) -> OnCase:
    """Return what a sensor on the case shows after :data:`HORIZON` s of ``current`` (A) from cold,
    and the winding's heat beyond it."""
    part, case, doubted = _paths(model, current, limit, air, speed, np.array([HORIZON]), cold=True)
    shown = doubted(case)[-1]
    hotter = float(np.quantile(doubted(part)[-1] - shown, TAIL))
    low, likely = np.quantile(shown, [TAIL, 0.5])
    return OnCase(Settling(float(likely), float(low), _warm_end(case, doubted, TAIL)), hotter)


def _warm_end(path: Array, doubted: _Doubted, above: float) -> float:
    """Return what the share ``above`` of the draws end above, with what the ride was too short
    for."""
    return float(np.quantile(doubted(path, longer=True)[-1], 1 - above))


def _unseen(model: ThermalFit, air: float) -> Array:
    """Return the share by which each draw may rise more slowly at first than the ride shows."""
    warm = _began_warm(model, air)
    chance = np.random.default_rng(3)
    return np.asarray(UNSEEN * warm * np.abs(chance.standard_normal(len(warm))))


def _began_warm(model: ThermalFit, air: float) -> Array:
    """Return how warm the part was at its coldest, as a share of its hottest, for each draw."""
    rest = air + model.draws.offset
    warm = (model.lowest - rest) / np.maximum(model.hottest - rest, 1.0)
    return np.asarray(np.clip(warm, 0.0, 1.0))


def _unread(model: ThermalFit, air: float) -> Array:
    """Return, for each draw, the share of the doubt of a short ride's end that is left of what the
    part's other masses hold: less after a ride in which heat had the time to come to all of them,
    and after one that began warm, which had been ridden before."""
    cold = np.maximum(1.0 - _began_warm(model, air), 0.1)
    return np.asarray(np.minimum(1.0, model.plausible.soaks * cold / model.seconds))


def _paths(
    model: ThermalFit,
    current: float,
    limit: float,
    air: float,
    speed: float,
    passes: Array,
    cold: bool,
) -> tuple[Array, Array, _Doubted]:
    """Return the temperatures of the part and its case at ``passes``, for each draw, and what makes
    of such temperatures those of a part that is no two lumps."""
    rates = model.draws
    many = len(rates.air)
    chance = np.random.default_rng(1)
    normal = chance.standard_normal((4, many))
    rest = model.rest(air)
    start = (rest, rest)
    shown = max(model.hottest - model.lowest, 1.0)
    unread = _unread(model, air)
    if not cold:
        part, case = model.now
        start = (
            part + np.hypot(READS, model.plausible.missed * shown) * normal[1],
            case + unread * STORED * (case - rest) * normal[2],
        )
    # Free convection takes more from what is hotter than it was in the ride: first without, then
    # with the case as warm as it is in the mean until the limit.
    power = chance.uniform(0, model.plausible.freer, many)
    coarse = np.concatenate([[0.0], np.geomspace(1.0, HORIZON, 40)])
    part, case = steady_path(rates, current, rest, speed, start, coarse)
    until = np.where((part >= limit).any(axis=0), (part >= limit).argmax(axis=0), len(coarse) - 1)
    gained = np.cumsum(np.diff(coarse)[:, None] * (case[1:] + case[:-1]) / 2, axis=0)
    mean = (gained / coarse[1:, None])[np.maximum(until - 1, 0), np.arange(many)]
    warmer = np.clip(mean - rest, 1.0, None)
    easier = np.clip((warmer / np.maximum(model.usual, 1.0)) ** power, 0.6, 1.8)
    part, case = steady_path(rates, current, rest, speed, start, passes, easier)
    asked = max((limit - float(np.median(rest))) / shown, 1.0)
    spread = np.hypot(model.plausible.other, model.plausible.beyond * np.log(asked))
    lasting = (passes if cold else model.seconds + passes) / model.seconds
    unshown = np.log(np.maximum(lasting, 1.0))[:, None] * np.abs(normal[3])
    unshown *= model.plausible.longer
    grown = passes[:, None] / (passes[:, None] + GROWS / unread)

    def doubted(
        path: Array, widening: float = 1.0, *, longer: bool = False, slower: Array | float = 0.0
    ) -> Array:
        # What is gained from now on may be another from the first.  What is there already was read:
        # it is another only as what drives it goes over from the reading to the whole part.
        # A conductor's resistance rises with what it gains: where the loss goes with it, a rise is
        # (1 + k (T - 20)) / (1 + k (T_start - 20)) times as far off in parts as its heat.
        steeper = (1 + rates.rise * (path - 20)) / (1 + rates.rise * (start[0] - 20))
        apart = widening * np.clip(steeper, 1, 3) * (spread * normal[0] - longer * unshown)
        gained = (path - start[0]) * np.exp(-apart - slower)
        there = start[0] - rest
        if not cold:  # how warm it is by now may be off as well: its sensor is late
            there = there + (widening - 1) * (start[0] - np.median(start[0]))
        return np.asarray(rest + there * np.exp(-apart * grown) + gained)

    return part, case, doubted
