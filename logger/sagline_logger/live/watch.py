"""The alarms of a running capture: its limits held against its live numbers."""

from collections.abc import Iterable, Mapping, Sequence

from ..format import Channel, Limit
from ..format.counting import often
from .alarms import Alarm, AlarmThreshold
from .glance import columns_of

STALE = 2.0
"""Seconds after which a silent link's values say nothing about now."""


def thresholds(
    limits: Sequence[Limit], keys: Iterable[str], channels: Mapping[str, Channel]
) -> list[AlarmThreshold]:
    """Return what to watch: every rating, full, alarm and stop voltage of the columns ``keys``.

    A full cell is reached in normal use, so it rings from some way beyond only.  A controller's own
    setting is too, and a burst rating needs a clock of its own: neither rings.
    """
    return [
        _threshold(key, limit)
        for limit in limits
        if limit.kind in ("limit", "full", "alarm", "stop")
        for key in columns_of(keys, channels, limit.channel)
        if limit.index in (0, channels[key].index)
    ]


def _threshold(key: str, limit: Limit) -> AlarmThreshold:
    above, full = limit.direction == "above", limit.kind == "full"
    reason = f"{limit.part}, full" if full else limit.part
    rank = ("stop", "limit", "alarm", "full").index(limit.kind)
    return AlarmThreshold(key, above, limit.value, limit.unit, reason, reached=full, rank=rank)


class AlarmWatch:
    """Follows a capture's alarms for one viewer, which calls :meth:`update` a few times a second.

    For one thread: each viewer has a watch of its own.
    """

    def __init__(self, limits: Sequence[Limit]) -> None:
        self._limits = limits
        self._alarms: dict[tuple[str, float], Alarm] = {}
        self._past: dict[tuple[str, float], tuple[int, Alarm]] = {}

    @property
    def alarms(self) -> list[Alarm]:
        """The state of every threshold met so far, raised or not."""
        return list(self._alarms.values())

    @property
    def past(self) -> list[str]:
        """What has alarmed so far, in words, the gravest first; one line a column and side."""
        order = sorted(self._past.values(), key=lambda one: one[1].threshold.rank)
        lines: dict[tuple[str, bool], str] = {}
        for times, alarm in order:
            limit = alarm.threshold
            side = "above" if limit.above else "below"
            words = (
                f"{limit.key.replace('_', ' ')} {side} {limit.value:.4g} {limit.unit} "
                f"({limit.reason}) {often(times)}, worst {alarm.worst:.4g} {limit.unit}"
            )
            lines.setdefault((limit.key, limit.above), words)
        return list(lines.values())

    def update(
        self, elapsed: float, values: Mapping[str, float], channels: Mapping[str, Channel]
    ) -> bool:
        """Take the values at ``elapsed`` s of the capture; return whether one was raised anew."""
        rings = False
        for threshold in thresholds(self._limits, values, channels):
            key = (threshold.key, threshold.value)
            before = self._alarms.get(key, Alarm(threshold))
            after = before.update(elapsed, values[threshold.key])
            rings = rings or (after.raised and not before.raised)
            self._alarms[key] = after
            if after.raised:
                self._keep(key, after, not before.raised)
        return rings

    def _keep(self, key: tuple[str, float], alarm: Alarm, anew: bool) -> None:
        """Remember how often an alarm was raised, and its worst reading."""
        times, worst = self._past.get(key, (0, alarm))
        pick = max if alarm.threshold.above else min
        readings = [one.worst for one in (alarm, worst) if one.worst is not None]
        if alarm.worst == pick(readings):
            worst = alarm
        self._past[key] = (times + anew, worst)
