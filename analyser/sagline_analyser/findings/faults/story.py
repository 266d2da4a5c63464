"""What a fault's story is made of: plain frozen results that the page and ``--json`` show."""

from dataclasses import dataclass, field, replace
from typing import Literal

from sagline_logger.format.caution import CAUTION
from sagline_logger.format.counting import often

from ..readings.unknown import NotKnown
from ..telling.certainty import Likelihood

Kind = Literal["fault", "cut-out", "link loss", "restart", "voltage collapse", "chosen"]

LOGGER = -1
"""Clock of what the logger, not the board, put a time to."""


@dataclass(frozen=True)
class Moment:
    """One sudden moment: ``time`` in s from the start of the capture, and what it was in words."""

    time: float
    kind: Kind
    text: str


StepKind = Literal["limit", "setting", "normal", "jump", "event"]
"""Bounds of the board file, its settings, the ride's own; a sudden fall; what was reported."""


@dataclass(frozen=True)
class Step:
    """One thing that left its bounds.

    It was first seen at ``time`` (s) and happened at most ``uncertainty`` s earlier: since the
    reading before.  ``channel`` is the column, or "" for an event; ``crossed`` says in words what
    was left, and ``value`` (in ``unit``, None for an event) the first reading beyond.  ``earlier``
    counts how often the same happened in the minutes before without consequence.  Times of one
    ``clock`` (the number of the board's start, or :data:`LOGGER`) agree; between two clocks the
    alignment adds the ride's clock error.  ``undecided`` is True where it cannot be told apart in
    time from the step listed before it, and ``standing`` where it was so already when the window
    opened.
    """

    time: float
    uncertainty: float
    channel: str
    name: str
    crossed: str
    value: float | None
    unit: str
    kind: StepKind
    earlier: int = 0
    clock: int = 0
    undecided: bool = False
    standing: bool = False

    @property
    def short(self) -> str:
        """What left which bounds, and the reading that showed it, without the time."""
        read = "" if self.value is None else f", read {quantity(self.value, self.unit)}"
        return f"{self.name} {self.crossed}{read}".strip()

    def text(self, at: float) -> str:
        """Return the step in one line, its time relative to ``at`` s."""
        sure = f" (or up to {span_text(self.uncertainty)} earlier)" if self.uncertainty else ""
        times = f"; the same {often(self.earlier)} in the minutes before" if self.earlier else ""
        so = "; already so when the window opens" if self.standing else ""
        apart = "; cannot be told apart in time from the step before" if self.undecided else ""
        return f"{relative(self.time - at)}{sure}: {self.short}{times}{so}{apart}"


@dataclass(frozen=True)
class Inside:
    """A channel that stayed inside its bounds: its least and greatest reading in the window."""

    channel: str
    name: str
    low: float
    high: float
    unit: str

    @property
    def text(self) -> str:
        """The channel and its range in words."""
        low, high = quantity(self.low, self.unit), quantity(self.high, self.unit)
        return f"{self.name} {low}" if low == high else f"{self.name} {low} to {high}"


@dataclass(frozen=True)
class Candidate:
    """A candidate: what speaks for it and against it, and how likely that makes it in one word.

    ``score`` only ranks; it is no probability.  ``check`` is what the builder would look at next.
    """

    key: str
    name: str
    likelihood: Likelihood
    score: float
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]
    check: str


@dataclass(frozen=True)
class FaultStory:
    """What left its bounds first around ``moment``, what did not, and what may have caused it.

    ``window`` is the (start, end) in s looked at, ``crossed`` the steps in order of when they were
    first seen, ``causes`` the candidates from the likeliest down, and ``text`` the whole in one or
    two sentences.  ``unknown`` says of each channel or stretch that is not there what it would have
    told.  ``blind`` is the s before the moment without any reading.
    """

    moment: Moment
    text: str
    window: tuple[float, float]
    crossed: tuple[Step, ...]
    normal: tuple[Inside, ...]
    causes: tuple[Candidate, ...]
    unknown: tuple[NotKnown, ...]
    clock_error: float | None
    blind: float = 0.0
    caution: str = field(default=CAUTION)

    @property
    def first(self) -> tuple[Step, ...]:
        """The steps since the window opened of which each may have been the first of them."""
        fresh = [step for step in self.crossed if not step.standing]
        return tuple(
            step
            for step in fresh
            if not any(surely_before(other, step, self.clock_error or 0.0) for other in fresh)
        )


def surely_before(one: Step, other: Step, clock_error: float) -> bool:
    """Whether ``one`` happened before ``other`` whatever hid between two readings of either.

    Each happened between the reading before and the one that showed it; ``clock_error`` (s)
    separates them further when two clocks timed them.
    """
    slack = 0.0 if one.clock == other.clock else clock_error
    if one is other:
        return False
    gap = (other.time - other.uncertainty) - (one.time + slack)
    # A reading that came late says "after the one before it", an event says its very time; a
    # nanosecond is for the rounding of time stamps.
    return gap >= -1e-9 if other.uncertainty > 0 else gap > 1e-9


def in_order(steps: list[Step], clock_error: float) -> tuple[Step, ...]:
    """Return the steps by when they were first seen, each marked if it cannot be told apart from
    the one before it.  No step that surely came later is ever listed earlier.
    """
    ranked = sorted(steps, key=lambda s: (s.time, s.time - s.uncertainty, s.channel, s.crossed))
    return tuple(
        replace(step, undecided=n > 0 and not surely_before(ranked[n - 1], step, clock_error))
        for n, step in enumerate(ranked)
    )


_SHOWN = {"m/s": ("km/h", 3.6), "1": ("%", 100.0)}


def quantity(value: float, unit: str) -> str:
    """Return a value with its unit in the digits that matter to a rider."""
    unit, factor = _SHOWN.get(unit, (unit, 1.0))
    digits = 0 if unit in ("%", "r/min") else 2 if unit == "V" and abs(value) < 10 else 1
    value = round(value * factor, digits) + 0.0  # never "−0"
    return f"{value:.{digits}f} {unit}".strip().replace("-", "−")


def span_text(seconds: float) -> str:
    """Return a short duration: ``20 ms``, ``1.5 s``."""
    return f"{seconds * 1000:.0f} ms" if seconds < 1 else f"{seconds:.1f} s"


def relative(seconds: float) -> str:
    """Return a time relative to the moment: ``0.34 s before``, ``at the moment``."""
    if abs(seconds) < 0.0005:
        return "at the moment itself"
    return f"{span_text(abs(seconds))} {'before' if seconds < 0 else 'after'}"
