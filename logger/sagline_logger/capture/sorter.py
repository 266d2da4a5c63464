"""From pieces of the device's stream to the log, around lost links and restarts."""

import time
from collections import deque
from collections.abc import Callable, Iterable

from ..format import Dropped, Fault, Foreign, Link, LinkState, Piece, Time
from ..format.host_records import FIRST_HOST_KIND
from ..format.limits import MAX_FOREIGN
from .counters import Counters
from .link_keeper import LinkKeeper, Phase
from .listener import Listener
from .log_writer import LogWriter, fit, instant
from .rejoin import PATIENCE, LastHeard, Rejoin
from .translator import Item, Translator

_TIME_EVERY = 250_000  # µs between TIME records
_UNSTEADY, _UNSTEADY_WITHIN = 8, 10.0  # restarts, s: more often than that is no restart to wait for


class Sorter:
    """Writes what comes into ``log``: frames, foreign bytes, TIME and LINK records, in order.

    While ``link`` is not OPEN the pieces are held back until the gap is explained; the one place
    that says so is its phase.  Everything but ``listener`` is for the capturing thread.
    """

    def __init__(
        self,
        log: LogWriter,
        link: LinkKeeper,
        counters: Counters,
        translator: Translator,
        tell: Callable[[str], None],
    ) -> None:
        self.listener = Listener()
        self._log = log
        self._link = link
        self._counters = counters
        self._translator = translator
        self._tell = tell
        self._gap = Rejoin(None)
        """The last stretch in which the device was not heard."""
        self._timed: int | None = None
        self._heard = instant().monotonic
        self._starts: deque[float] = deque(maxlen=_UNSTEADY)
        self._unsteady = False

    def take(self, data: bytes) -> list[Item]:
        """Take what one read brought; return its pieces."""
        now = instant()
        mark = None
        if self._timed is None or now.monotonic - self._timed >= _TIME_EVERY:
            self._timed = now.monotonic
            mark = Time(now, self._translator.position)
        self._counters.received += len(data)
        self.listener.host = now.monotonic
        pieces = self._translator.feed(data, now)
        if self._link.phase is Phase.OPEN:
            self._write(mark, pieces)
        else:
            self._gap.hold(mark, pieces, now)
        self._heard = now.monotonic
        return pieces

    def connected(self, evidence: str) -> None:
        """Note that the link was made for the first time."""
        self._log.record(Link(instant(), LinkState.UP, fit(evidence)))

    def lost(self, problem: str) -> None:
        """The link broke: keep what had arrived, and note it."""
        self.settle()
        if self._link.phase is Phase.OPEN:  # a link that never came to life is not lost twice
            self._begin_gap(problem)
        self._link.broke()
        self._timed = None  # the first bytes of the next link get their TIME

    def reopened(self, evidence: str) -> None:
        """The link is there again; ``evidence`` says how, for when the device is heard."""
        self._gap.note = evidence

    def fell_silent(self, problem: str) -> None:
        """The device is not heard any more on a link that is still there."""
        self._begin_gap(problem)
        self._link.fell_silent()

    def join_when_due(self) -> None:
        """Write what is held back as soon as it says what had happened, or no longer may wait."""
        first = self._gap.first
        if self._link.phase is Phase.REJOIN and first is not None:
            waited = time.monotonic() - first.monotonic / 1e6
            if waited > PATIENCE or self._gap.settled:
                self._join()

    def settle(self) -> None:
        """Write whatever is still held back: no more is coming."""
        while self._link.phase is not Phase.OPEN and self._gap.held:
            self._join()
        self._store(self._translator.finish(instant()))

    def _begin_gap(self, evidence: str) -> None:
        self._log.record(Link(instant(), LinkState.DOWN, fit(evidence)))
        self._tell(f"link down: {evidence}")
        self._gap = Rejoin(
            LastHeard.last(self.listener, self._heard), tells_time=self._translator.tells_time
        )

    def _join(self) -> None:
        """Note that the device is heard again, and write what was held back meanwhile."""
        gap = self._gap
        self._link.joined()
        evidence = gap.evidence()
        self._log.record(Link(gap.first or instant(), LinkState.UP, fit(evidence)))
        self._tell(f"link up: {evidence}")
        self._counters.reconnects += 1
        if gap.restarted:
            self._counters.restarts += 1
        if gap.restarted or gap.boot != self.listener.boot:
            self.listener.new_boot()
        for mark, pieces in gap.held:
            if self._gap is not gap:  # restarted again, within the moment of waiting
                self._gap.hold(mark, pieces, instant())
            else:
                self._write(mark, pieces)

    def _write(self, mark: Time | None, pieces: Iterable[Item]) -> None:
        if mark is not None:
            self._log.record(mark, keep=False)
        self._store(pieces)

    def _store(self, pieces: Iterable[Item]) -> None:
        """Store in order: sound device frames as they came, RAW as it is, all else as FOREIGN."""
        run: list[bytes] = []
        hear = self.listener.hear
        pieces = iter(pieces)
        for piece in pieces:
            if not isinstance(piece, Piece):
                self._append(run)
                self._log.record(piece, keep=isinstance(piece, Link | Dropped))
                continue
            body = piece.body
            if body is not None and body[0] < FIRST_HOST_KIND:
                if not hear(body):
                    if self._starts_too_often():
                        self._counters.restarts += 1
                        self.listener.new_boot()
                        hear(body)
                        run.append(piece.raw)
                        continue
                    self._append(run)
                    self._link.started_anew()
                    self._begin_gap("the device restarted while the link stayed up")
                    self._gap.known = True
                    self._gap.hold(None, [piece, *pieces], instant())
                    return
                run.append(piece.raw)
            elif body is None and piece.fault is None:
                run.append(piece.raw)  # a lone delimiter is legal padding
            else:
                self._append(run)
                self._keep_foreign(piece)
        self._append(run)

    def _starts_too_often(self) -> bool:
        """Whether the boot number changes so fast that waiting for each start would hold up all.

        A device whose supply fails in pulses, or firmware that counts wrongly: the frames are
        stored as they come, without a LINK record at each change.
        """
        now = time.monotonic()
        self._starts.append(now)
        often = len(self._starts) == _UNSTEADY and now - self._starts[0] < _UNSTEADY_WITHIN
        if often and not self._unsteady:
            self._tell(
                f"the boot number changed {_UNSTEADY} times within {_UNSTEADY_WITHIN:g} s: the "
                "device keeps restarting, or its firmware counts wrongly; its frames are stored as "
                "they come"
            )
        self._unsteady = often
        return often

    def _append(self, run: list[bytes]) -> None:
        """Store device frames and lone delimiters exactly as they came, and empty ``run``."""
        if run:
            frames = sum(len(raw) > 1 for raw in run)
            sent = b"".join(run)
            self._log.append(sent, frames, len(sent))
            self._counters.frames += frames
            run.clear()

    def _keep_foreign(self, piece: Piece) -> None:
        reason = Fault.HOST_KIND if piece.fault is None else piece.fault
        now = instant()
        self._counters.foreign += len(piece.raw)
        for at in range(0, len(piece.raw), MAX_FOREIGN):
            self._log.record(Foreign(now, reason, piece.raw[at : at + MAX_FOREIGN]), keep=False)
