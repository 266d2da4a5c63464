"""Alarms that neither flicker nor miss: a threshold with hysteresis and hold times."""

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
class Threshold:
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

    threshold: Threshold
    raised: bool = False
    since: float | None = None
    worst: float | None = None
    """The value furthest beyond the threshold while raised."""

    def update(self, time: float, value: float) -> "Alarm":
        """Return the state after a reading at ``time`` s; a missing one (NaN) changes nothing."""
        if value != value:
            return self
        if not self.raised:
            if not self.threshold.beyond(value):
                return replace(self, since=None) if self.since is not None else self
            since = time if self.since is None else self.since
            if time - since >= RAISE_AFTER:
                return Alarm(self.threshold, True, None, value)
            return replace(self, since=since)
        pick = max if self.threshold.above else min
        worst = value if self.worst is None else pick(self.worst, value)
        if not self.threshold.recovered(value):
            return Alarm(self.threshold, True, None, worst)
        since = time if self.since is None else self.since
        if time - since >= HOLD:
            return Alarm(self.threshold)
        return Alarm(self.threshold, True, since, worst)
