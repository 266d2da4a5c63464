"""What the page tells of the running capture: figures, alarms, and the worst alarm of each log."""

import math
from collections.abc import Sequence
from typing import Literal, TypedDict

from ..capture.desk import CaptureDesk
from ..capture.state import CaptureState
from ..format import Limit
from ..live.alarms import Alarm, worst_first
from ..live.glance import numbers
from ..live.watch import STALE, AlarmWatch
from .captures import Captures, KnownCapture
from .moving import in_motion

EVERY = 0.25
"""s between two looks at the capture: short alarms are seen, too."""


class NumberTold(TypedDict):
    """One figure of the page."""

    title: str
    part: str
    text: str
    unit: str


class AlarmTold(TypedDict):
    """One alarm: its words with the worst value, and the present one if there is one."""

    words: str
    now: str


class ToldAlways(TypedDict):
    """What a telephone may see at any time; ``moving`` is None where that is not known."""

    stage: str
    capturing: bool
    running: bool
    paired: bool


class ToldInMotion(ToldAlways):
    """No figure is told while the vehicle moves."""

    moving: Literal[True]


class ToldNames(TypedDict, total=False):
    """What only a paired telephone is told."""

    board: str
    log: str


class ToldAtRest(ToldAlways, ToldNames):
    """The figures: times in s, sizes in bytes, ``rate`` in bytes/s; names only when paired."""

    moving: Literal[False] | None
    elapsed: float
    link_up: bool
    link_since: float
    rate: float
    lost: int
    foreign: int
    dropped: int
    size: int
    free: int
    space_seconds: float | None
    marks: int
    numbers: list[NumberTold]
    alarms: list[AlarmTold]
    warnings: list[str] | int


class Watcher:
    """Looks at a desk's capture again and again; for one thread."""

    def __init__(self, desk: CaptureDesk, limits: Sequence[Limit], captures: Captures) -> None:
        self._desk = desk
        self._limits = limits
        self._captures = captures
        self._watch = AlarmWatch(limits)
        self._state = desk.snapshot()
        self._running = False

    @property
    def log(self) -> str:
        """The file name of the capture that was last looked at."""
        return self._state.path.name

    def look(self) -> None:
        """Look once; note what is known of a capture when it has ended."""
        before, self._state = self._state, self._desk.snapshot()
        running = self._desk.running
        if running and not self._running:
            self._watch = AlarmWatch(self._limits)
        if self._running and not running:
            self._note()
        elif running and before.path != self._state.path and before.path.suffix:
            self._note(before)
        self._running = running
        if running:
            self._watch.update(self._state.elapsed, self._values(), self._state.channels)

    def told(self, paired: bool) -> ToldInMotion | ToldAtRest:
        """Return what a telephone may see: in motion no figure, names only if ``paired``."""
        state, values = self._state, self._values()
        moving = in_motion(values, state.channels) if self._running else False
        always: ToldAlways = {
            "stage": state.stage,
            "capturing": self._running and state.stage != "waiting",
            "running": self._running,
            "paired": paired,
        }
        if moving:
            return {**always, "moving": True}
        raised = worst_first(self._watch.alarms) if self._running else []
        names: ToldNames = {"board": state.board_name, "log": state.path.name} if paired else {}
        return {
            **always,
            **names,
            "moving": moving,
            "elapsed": state.elapsed,
            "link_up": state.link_up,
            "link_since": state.link_since,
            "rate": state.rate,
            "lost": state.lost,
            "foreign": state.foreign,
            "dropped": state.dropped_frames,
            "size": state.size,
            "free": state.free,
            "space_seconds": _lasts(state),
            "marks": state.marks,
            "numbers": [
                {"title": one.title, "part": one.part, "text": one.text, "unit": one.unit}
                for one in numbers(values, state.channels)
            ],
            "alarms": [
                {"words": alarm.words(alarm.worst, paired), "now": _present(alarm, values)}
                for alarm in raised
            ],
            "warnings": list(state.warnings) if paired else len(state.warnings),
        }

    def _values(self) -> dict[str, float]:
        fresh = self._state.link_up or self._state.link_since < STALE
        return dict(self._state.values) if fresh and self._running else {}

    def _note(self, state: CaptureState | None = None) -> None:
        ended = self._desk.ended
        last = state or (ended.state if ended else None)
        if last is not None and last.path.suffix:
            worst = next(iter(self._watch.past), "")
            self._captures.note(last.path.name, KnownCapture(last.elapsed, worst))


def _present(alarm: Alarm, values: dict[str, float]) -> str:
    value = values.get(alarm.threshold.key, math.nan)
    return "" if math.isnan(value) else f"{value:.4g} {alarm.threshold.unit}"


def _lasts(state: CaptureState) -> float | None:
    """Return for how many s more the disk takes what comes; None before that can be told."""
    if state.elapsed < 5 or state.size <= 0:
        return None
    return state.free / (state.size / state.elapsed)
