"""Keeping a link to the device: made, lost, tried again, and whether the device is heard on it."""

import threading
import time
from enum import StrEnum

from ..format import SaglineError
from .source import LinkLost, Source

_FIRST_PAUSE, _LAST_PAUSE, _GROWTH = 0.1, 1.0, 1.5  # s, s, ratio


class Phase(StrEnum):
    """What a link is at.  ::

    OPEN ── lost ──> RETRY ── opened ──> DOWN ── bytes ──> REJOIN ── joined ──> OPEN
    OPEN ── silent ─────────────────────> DOWN
    OPEN ── the device started anew ─────────────────────> REJOIN
    DOWN, REJOIN ── lost ──> RETRY
    """

    OPEN = "open"
    """The device is heard."""
    RETRY = "retry"
    """There is no link; it is tried again and again."""
    DOWN = "down"
    """The link is there; the device is not heard on it."""
    REJOIN = "rejoin"
    """The device is heard again; its first frames have yet to say what had happened."""


class LinkKeeper:
    """One link and its :class:`Phase`; for one thread, but for :meth:`abandon` and the fields."""

    def __init__(self, source: Source) -> None:
        self.phase = Phase.RETRY
        self.since = time.monotonic()
        """When the device came to be heard, or ceased to be."""
        self.tries = 0
        """How often the link has been tried since it was lost."""
        self.pause = _FIRST_PAUSE
        """Seconds to leave before the next try."""
        self._source = source
        self._heard = self.since
        self._opening = False
        self._complaint = ""

    def open(self) -> None:
        """Make the link for the first time; the device is taken to be there.

        Raises:
            LinkLost, SaglineError: see :meth:`Source.open`.
        """
        self._open()
        self._heard = time.monotonic()
        self._pass_to(Phase.OPEN)

    def read(self, timeout: float) -> bytes:
        """Return what has arrived within ``timeout`` s.

        Raises:
            LinkLost: the link broke; whoever holds back what came last calls :meth:`broke` then.
            EOFError: the source has ended for good.
        """
        data = self._source.read(timeout)
        if data:
            self._heard = time.monotonic()
            if self.phase is Phase.DOWN:
                self.phase = Phase.REJOIN
        return data

    def broke(self) -> None:
        """Take the link for lost; :meth:`try_again` is due."""
        self._pass_to(Phase.RETRY)
        self.tries, self.pause, self._complaint = 0, _FIRST_PAUSE, ""

    def try_again(self) -> str:
        """Try once to make the lost link; ``phase`` is then DOWN if it could be made.

        Returns:
            Why it could not be made, where that was not said the time before; otherwise nothing.
        """
        self.tries += 1
        self._source.close()
        try:
            self._open()
        except (LinkLost, SaglineError) as problem:  # a port that is gone may come back
            self.pause = min(self.pause * _GROWTH, _LAST_PAUSE)
            told, self._complaint = self._complaint, str(problem)
            return self._complaint if self._complaint != told else ""
        self.phase = Phase.DOWN
        return ""

    def silent(self, at_least: float = 0.0) -> bool:
        """Whether an open link has been still for longer than its source and ``at_least`` s."""
        allowed = max(self._source.silence, at_least)
        return self.phase is Phase.OPEN and time.monotonic() - self._heard > allowed

    def fell_silent(self) -> None:
        """Take the device for gone, on a link that is still there."""
        self._pass_to(Phase.DOWN)

    def started_anew(self) -> None:
        """Take the device for restarted, while the link stayed."""
        self._pass_to(Phase.REJOIN)

    def joined(self) -> None:
        """Take the device for heard again."""
        self._pass_to(Phase.OPEN)

    def close(self) -> None:
        """Drop the link for good."""
        self._source.close()

    def abandon(self) -> None:
        """Cut short an attempt that is under way, from any thread: it can take half a minute, and
        so can giving it up."""
        if self._opening:
            threading.Thread(target=self._source.close, daemon=True).start()

    def _open(self) -> None:
        self._opening = True
        try:
            self._source.open()
        finally:
            self._opening = False

    def _pass_to(self, phase: Phase) -> None:
        if (phase is Phase.OPEN) != (self.phase is Phase.OPEN):
            self.since = time.monotonic()
        self.phase = phase
