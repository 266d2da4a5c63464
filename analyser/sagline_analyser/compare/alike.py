"""How a measure goes with a launch's conditions, by what the launches of one stretch show, and the
launches brought to like ones."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..findings.readings.series import Array
from .statistics import parted

TIMES = ("time_to_speed", "time_to_half")
"""Measures that are times."""

BEFOREHAND = {"time": (-1.0, 0.5), "other": (0.0, 1.0)}
"""Change of a measure for a change of a condition, both as shares, as it is expected beforehand:
mean and standard deviation.  A time goes in proportion to voltage or throttle where power is what
is limited, less where torque is, and steeper near the duty ceiling; of other measures nothing is
known but that they do not go much steeper (our choice)."""

OF_PACK = ("peak_battery", "mean_battery", "sag")
"""Measures of what a given power takes of the pack."""

AT_POWER = {"rest_voltage": (-1.0, 0.2)}
"""The same for :data:`OF_PACK` where motors alone are limited, so that voltage makes no difference
to the power: the current goes inversely with it (P = U·I), the sag with the current, and both a
little more than so, for the voltage under load is lower."""

SHOWN = 0.5
"""Standard deviation to which the launches must have narrowed it to be believed (ours)."""

CLEAR = 2.0
"""Standard errors that a slope must be away from none, lest a correction only add noise (ours)."""


@dataclass(frozen=True)
class Slopes:
    """How a measure goes with conditions, as shares of its ``middle`` for shares of theirs.

    ``names`` of the k conditions, which may be none; ``slope`` (k,) and its covariance ``about``
    (k, k); ``away`` (launches, k) is how far each launch's conditions were from their means.
    """

    names: tuple[str, ...]
    slope: Array
    about: Array
    away: Array
    middle: float

    def even(self, launches: Array) -> Array:
        """Return the measure at the mean of the conditions; ``launches`` (n, 1 + k) hold it and, as
        :attr:`away` does, the conditions."""
        return np.asarray(launches[:, 0] - self.middle * (launches[:, 1:] @ self.slope))

    def error(self, a: Sequence[Array], b: Sequence[Array]) -> float:
        """Return the standard error that :meth:`even` gives B less A beyond what the spread of the
        stretches shows; ``a`` and ``b`` are the stretches, each as :meth:`even` takes them."""
        apart, within = (one[..., 1:] for one in parted(a, b))
        free = len(within) - 2
        # Where the stretches of one side are as far apart as the sides, their own spread shows it.
        scale = (1 / len(a) + 1 / len(b)) / free if free > 0 else 0.0
        beyond = float(np.sum(self.about * (np.outer(apart, apart) - scale * within.T @ within)))
        return abs(self.middle) * float(np.sqrt(max(beyond, 0.0)))


def slopes(
    key: str,
    values: Array,
    stretches: Sequence[int],
    conditions: Mapping[str, Array],
    at_power: bool = False,
) -> Slopes:
    """Return how ``values`` (launches,) go with those of the ``conditions`` whose slope can be
    believed.

    The slope comes from launches of one stretch, which share all else: within a stretch no setting,
    load or place differs.  A condition whose slope they do not show is left as it is, and so is
    the rest voltage where the measure is sag, of which it is itself a part.  Where voltage makes no
    difference to the power (``at_power``), physics shows how the pack's measures go with it.
    """
    middle = float(np.mean(values))
    none = Slopes((), np.empty(0), np.empty((0, 0)), np.empty((len(values), 0)), middle)
    given = AT_POWER if at_power and key in OF_PACK else {}
    if key == "sag" and not given:
        conditions = {k: x for k, x in conditions.items() if k != "rest_voltage"}
    used = {
        name: x
        for name, x in conditions.items()
        if np.isfinite(x).all() and float(np.mean(x)) > 0 and np.ptp(x) > 0
    }
    if not used or not middle or len(values) - len(set(stretches)) < 3 + len(used):
        return none
    of = np.asarray(stretches)

    def within(x: Array) -> Array:
        own = x.astype(float).copy()
        for number in set(stretches):
            own[of == number] -= own[of == number].mean()
        return own

    usual = BEFOREHAND["time" if key in TIMES else "other"]
    y = within(values) / middle
    names = list(used)
    while names:
        x = np.stack([within(used[name]) / float(np.mean(used[name])) for name in names], axis=1)
        free = len(values) - len(set(stretches)) - len(names)
        plain = np.linalg.lstsq(x, y, rcond=None)[0]
        noise = max(float(np.sum((y - x @ plain) ** 2)) / free, 1e-12)
        expected, doubt = np.array([given.get(name, usual) for name in names]).T
        about = np.linalg.inv(x.T @ x / noise + np.diag(1 / doubt**2))
        slope = about @ (x.T @ y / noise + expected / doubt**2)
        error = np.sqrt(np.diag(about))
        shown = (error <= SHOWN) & (np.abs(slope) > CLEAR * error)
        shown |= np.isin(names, list(given))
        if shown.all():
            away = np.stack([used[n] / float(np.mean(used[n])) - 1 for n in names], axis=1)
            return Slopes(tuple(names), np.asarray(slope), np.asarray(about), away, middle)
        names = [name for name, kept in zip(names, shown, strict=True) if kept]
    return none
