"""Alarms that neither flicker nor miss: a threshold with hysteresis and hold times."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

RAISE_AFTER = 0.2
"""A value must stay beyond its threshold this long (s) before the alarm is raised."""

HOLD = 3.0
"""A raised alarm stays at least this long (s) after the value has come back."""

HYSTERESIS = 0.02
"""The value must come back by this part of the threshold before the hold time starts."""


SLACK = 0.005
"""Part of a threshold by which a value that is reached in normal use, as a full cell's is after
every charge, must be passed before it counts as beyond (our choice: 21 mV of 4.2 V)."""


@dataclass(frozen=True, slots=True)
class AlarmThreshold:
    """One limit watched: the column, which side is bad, the value in ``unit``, and whose it is.

    ``reached`` says that the value itself is normal: then it counts as passed from :data:`SLACK`
    beyond it, and as back once it is reached again.
    """

    key: str
    above: bool
    value: float
    unit: str
    reason: str
    reached: bool = False
    rank: int = 1
    """How grave it is to pass it: 0 a stop voltage, 1 a rating, 2 an alarm voltage, 3 full."""

    def beyond(self, value: float) -> bool:
        """Whether ``value`` is on the bad side; NaN is not."""
        slack = abs(self.value) * SLACK if self.reached else 0.0
        return value > self.value + slack if self.above else value < self.value - slack

    def recovered(self, value: float) -> bool:
        """Whether ``value`` is back by the hysteresis; NaN is not."""
        margin = 0.0 if self.reached else abs(self.value) * HYSTERESIS
        if self.above:
            return value <= self.value - margin
        return value >= self.value + margin


@dataclass(frozen=True, slots=True)
class Alarm:
    """The state of one threshold.  ``since`` is when the pending change began, s."""

    threshold: AlarmThreshold
    raised: bool = False
    since: float | None = None
    worst: float | None = None
    """The value furthest beyond the threshold while raised."""
    value: float | None = None
    """The latest reading."""

    @property
    def share(self) -> float:
        """How far the latest reading lies beyond the threshold, as a share of its size."""
        if self.value is None:
            return 0.0
        way = 1 if self.threshold.above else -1
        return way * (self.value - self.threshold.value) / max(abs(self.threshold.value), 1e-9)

    def words(self, value: float | None, named: bool = True) -> str:
        """Return the alarm in words with a reading of it; the part's name is the builder's own
        text, which goes in only if ``named``."""
        limit = self.threshold
        read = math.nan if value is None else value
        side = "above" if limit.above else "below"
        part = f" ({limit.reason})" if named else ""
        name = limit.key.replace("_", " ")
        return f"{name} {read:.4g} {limit.unit}, {side} {limit.value:.4g}{part}"

    def update(self, time: float, value: float) -> "Alarm":
        """Return the state after a reading at ``time`` s; a missing one (NaN) changes nothing."""
        if value != value:
            return self
        if not self.raised:
            if not self.threshold.beyond(value):
                return Alarm(self.threshold, value=value)
            since = time if self.since is None else self.since
            if time - since >= RAISE_AFTER:
                return Alarm(self.threshold, True, None, value, value)
            return replace(self, since=since, value=value)
        pick = max if self.threshold.above else min
        worst = value if self.worst is None else pick(self.worst, value)
        if not self.threshold.recovered(value):
            return Alarm(self.threshold, True, None, worst, value)
        since = time if self.since is None else self.since
        if time - since >= HOLD:
            return Alarm(self.threshold, value=value)
        return Alarm(self.threshold, True, since, worst, value)


def worst_first(alarms: Iterable[Alarm]) -> list[Alarm]:
    """Return the raised alarms, the gravest first, then the one furthest beyond its threshold.

    Of several thresholds that one column has passed on one side only the gravest is told.
    """
    order = sorted((a for a in alarms if a.raised), key=lambda a: (a.threshold.rank, -a.share))
    told: dict[tuple[str, bool], Alarm] = {}
    for alarm in order:
        told.setdefault((alarm.threshold.key, alarm.threshold.above), alarm)
    return list(told.values())
