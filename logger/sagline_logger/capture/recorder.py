"""Capture: from a source's bytes to a log, through lost links, restarts and full disks."""

import itertools
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from .. import __version__
from ..format import (
    Capture,
    End,
    Fault,
    FilePart,
    Foreign,
    FrameSplitter,
    Link,
    LinkState,
    Mark,
    Piece,
    SaglineError,
    Setting,
    Time,
)
from ..format.host_records import FIRST_HOST_KIND
from ..format.limits import MAX_FILE_PART, MAX_FOREIGN, MAX_TEXT
from ..live.layout import size
from .listener import Listener
from .log_writer import LogWriter, instant
from .rejoin import PATIENCE, Heard, Rejoin
from .source import LinkLost, Source
from .state import CaptureState
from .suspicion import suspicions

_READ = 0.1  # s that a read waits, and so the delay of a stop
_TIME_EVERY = 250_000  # µs between TIME records
_SILENCE = 3.0  # s without a byte that count as a lost link
_UNSTEADY, _UNSTEADY_WITHIN = 8, 10.0  # restarts, s: more often than that is no restart to wait for
_FIRST_RETRY, _LAST_RETRY, _GROWTH = 0.1, 1.0, 1.5  # s, s, ratio


@dataclass(frozen=True)
class Request:
    """What to capture, beside the source.

    ``wait`` keeps trying when the source cannot be opened at the start; ``seconds`` ends the
    capture after that time, counted from its first connection.
    """

    directory: Path
    board_file: bytes | None = None
    settings: tuple[tuple[str, str], ...] = ()
    note: str = ""
    seconds: float | None = None
    wait: bool = False


class Recorder:
    """One capture.  :meth:`run` does it; the other methods may be called from any thread.

    ``tell`` is called with one line for people whenever something happens; it must not block.
    """

    def __init__(
        self, source: Source, request: Request, tell: Callable[[str], None] = lambda line: None
    ) -> None:
        self._source = source
        self._request = request
        self._tell = tell
        self._stop = threading.Event()
        self._stop_reason = ""
        self._opening = False
        self._log: LogWriter | None = None
        self._splitter = FrameSplitter()
        self._listener = Listener()
        self._rejoin: Rejoin | None = None
        self._began = self._changed = self._heard_at = time.monotonic()
        self._received = self._frames = self._foreign = self._reconnects = self._restarts = 0
        self._last_time: int | None = None
        self._marks = itertools.count(1)
        self._marked = 0
        self._rates: deque[tuple[float, int]] = deque([(self._began, 0)], maxlen=12)
        self._warnings: tuple[str, ...] = ()
        self._named = False
        self._refusals_told = 0
        self.unwritten = 0
        """Bytes that could not be written when the capture ended."""
        self.at_end: Callable[[], None] = lambda: None
        """Called just before the log ends, for what should still go into it."""
        self._starts: deque[float] = deque(maxlen=_UNSTEADY)
        self._unsteady = False

    def stop(self, reason: str) -> None:
        """Ask the capture to end; ``reason`` goes into its END record."""
        self._stop_reason = self._stop_reason or reason
        self._stop.set()
        if self._opening:  # making a link can take half a minute, and so can giving it up
            threading.Thread(target=self._source.close, daemon=True).start()

    def mark(self, text: str = "") -> int:
        """Put a numbered mark at this moment and return its number (0 before there is a file)."""
        log = self._log
        if log is None:
            return 0
        number = next(self._marks)
        log.record(Mark(instant(), number, _fit(text)))
        self._marked = number
        return number

    def name_mark(self, number: int, text: str) -> None:
        """Give mark ``number`` its text afterwards: a second MARK record with that number."""
        if self._log is not None and number:
            self._log.record(Mark(instant(), number, _fit(text)))

    def run(self) -> CaptureState | None:
        """Capture until stopped or until the source ends, and return the final state.

        None when it was stopped while still waiting for the device: there is no file then.

        Raises:
            SaglineError: the source or the log file could not be opened.
        """
        if not self._first_connection():
            return None
        try:
            stem = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())
            self._log = LogWriter(self._request.directory, stem, self._tell)
        except SaglineError:
            self._source.close()
            raise
        self._began = self._changed = self._heard_at = time.monotonic()
        self._tell(f"recording {self._source.description} to {self._log.path}")
        self._head(self._log)
        try:
            self._loop(self._log)
        finally:
            self._source.close()
            self._settle(self._log)
            self.at_end()
            self._log.record(
                End(instant(), self._frames, self._foreign, _fit(self._stop_reason or "failed"))
            )
            self.unwritten = self._log.close()
        return self.snapshot()

    @property
    def after_words(self) -> tuple[str, ...]:
        """What else should be said at the end, in lines."""
        return tuple(self._log.notes) if self._log else ()

    def failure(self) -> SaglineError | None:
        """Return what kept the log from being whole on the disk at its end, if anything did."""
        log = self._log
        if log is None:
            return None
        if log.gone:
            what = "the log was taken away while recording, and no other could be written"
        elif self.unwritten:
            what = f"the last {size(self.unwritten)} could not be written"
        elif log.unsaved:
            what = f"the disk did not confirm what was written ({log.unsaved}); verify the log"
        else:
            return None
        return SaglineError(what, where=str(log.path), remedy=log.remedy)

    def snapshot(self) -> CaptureState:
        """Return the state at this moment."""
        log, board, now = self._log, self._listener.board, time.monotonic()
        rates = list(self._rates)
        spent = now - rates[0][0]
        received, link_up = self._received, log is not None and self._rejoin is None
        warnings = list(self._warnings)
        if log is not None and log.problem:
            warnings.append(f"nothing can be written: {log.problem}")
        return CaptureState(
            elapsed=now - self._began,
            path=log.path if log else self._request.directory,
            board_name=board.name if board else "",
            link_up=link_up,
            link_since=now - self._changed,
            received=received,
            rate=(received - rates[0][1]) / spent if spent > 0 else 0.0,
            frames=self._frames,
            foreign=self._foreign,
            lost=self._listener.lost,
            reconnects=self._reconnects,
            restarts=self._restarts,
            repeated=self._listener.repeated,
            dropped_frames=log.dropped_frames if log else 0,
            dropped_bytes=log.dropped_bytes if log else 0,
            size=log.size if log else 0,
            free=log.free if log else 0,
            marks=self._marked,
            values=self._listener.values(),
            units=self._listener.units(),
            warnings=tuple(warnings),
        )

    def _first_connection(self) -> bool:
        told = ""
        while not self._stop.is_set():
            try:
                self._open()
                return True
            except (LinkLost, SaglineError) as problem:
                if self._stop.is_set():
                    return False
                if not self._request.wait:
                    if isinstance(problem, SaglineError):
                        raise
                    raise SaglineError(
                        str(problem), remedy="check the device, or add --wait to keep trying"
                    ) from None
                if str(problem) != told:
                    told = str(problem)
                    self._tell(f"waiting: {told}")
            self._stop.wait(_LAST_RETRY)
        return False

    def _open(self) -> None:
        self._opening = True
        try:
            self._source.open()
        finally:
            self._opening = False

    def _head(self, log: LogWriter) -> None:
        """Write what stands at the start of every capture."""
        request, now = self._request, instant()
        log.record(
            Capture(
                now, f"sagline-logger {__version__}", _fit(self._source.description), request.note
            )
        )
        for name, value in request.settings:
            log.record(Setting(now, name, value))
        board = request.board_file or b""
        for at in range(0, len(board), MAX_FILE_PART):
            part = board[at : at + MAX_FILE_PART]
            log.record(FilePart(now, "board", len(board), at, part))
        log.record(Link(now, LinkState.UP, _fit(f"connected: {self._source.description}")))

    def _loop(self, log: LogWriter) -> None:
        end = self._began + (self._request.seconds or float("inf"))
        while not self._stop.is_set():
            now = time.monotonic()
            if now >= end:
                self.stop("the time asked for was over")
                return
            try:
                data = self._source.read(min(_READ, end - now))
            except LinkLost as problem:
                self._lost(log, str(problem))
                self._reconnect(log, end)
                continue
            except EOFError:
                self.stop("the source ended")
                return
            if data:
                self._take(log, data)
            self._look_after(log)

    def _take(self, log: LogWriter, data: bytes) -> None:
        now = instant()
        mark = None
        if self._last_time is None or now.monotonic - self._last_time >= _TIME_EVERY:
            self._last_time = now.monotonic
            mark = Time(now, self._received)
        self._received += len(data)
        self._listener.host = now.monotonic
        if self._rejoin is not None:
            self._rejoin.hold(mark, list(self._splitter.feed(data)), now)
        else:
            if mark is not None:
                log.record(mark, keep=False)
            self._store(log, self._splitter.feed(data))
        self._heard_at = now.monotonic / 1e6

    def _store(self, log: LogWriter, pieces: Iterable[Piece]) -> None:
        """Store pieces in order: sound device frames as they came, all else as FOREIGN records."""
        run: list[bytes] = []
        hear = self._listener.hear
        pieces = iter(pieces)
        for piece in pieces:
            body = piece.body
            if body is not None and body[0] < FIRST_HOST_KIND:
                if not hear(body):
                    if self._starts_too_often():
                        self._restarts += 1
                        self._listener.new_boot()
                        hear(body)
                        run.append(piece.raw)
                        continue
                    self._append(log, run)
                    self._down(log, "the device restarted while the link stayed up")
                    assert self._rejoin is not None
                    self._rejoin.known = True
                    self._rejoin.hold(None, [piece, *pieces], instant())
                    return
                run.append(piece.raw)
            elif body is None and piece.fault is None:
                run.append(piece.raw)  # a lone delimiter is legal padding
            else:
                self._append(log, run)
                self._keep_foreign(log, piece)
        self._append(log, run)

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

    def _append(self, log: LogWriter, run: list[bytes]) -> None:
        """Store device frames and lone delimiters exactly as they came, and empty ``run``."""
        if run:
            frames = sum(len(raw) > 1 for raw in run)
            sent = b"".join(run)
            log.append(sent, frames, len(sent))
            self._frames += frames
            run.clear()

    def _keep_foreign(self, log: LogWriter, piece: Piece) -> None:
        reason = Fault.HOST_KIND if piece.fault is None else piece.fault
        now = instant()
        self._foreign += len(piece.raw)
        for at in range(0, len(piece.raw), MAX_FOREIGN):
            log.record(Foreign(now, reason, piece.raw[at : at + MAX_FOREIGN]), keep=False)

    def _look_after(self, log: LogWriter) -> None:
        """Do what is due between reads."""
        now = time.monotonic()
        if now - self._rates[-1][0] >= 0.1:
            self._rates.append((now, self._received))
        rejoin, board = self._rejoin, self._listener.board
        if rejoin is None:
            if now - self._heard_at > _SILENCE and self._frames:
                self._down(log, f"nothing received for {_SILENCE:g} s; the port is still open")
        elif rejoin.first is not None and (
            rejoin.settled or now - rejoin.first.monotonic / 1e6 > PATIENCE
        ):
            self._join(log)
        if board is not None and not self._named:
            self._named = True
            log.name_after(board.name)
        for line in self._listener.refused[self._refusals_told :]:
            self._refusals_told += 1
            self._tell(
                f"the board breaks the format's rules: {line}; it is kept, but cannot be read "
                "until the board's program is mended"
            )
        if rejoin is None:
            warnings = (
                suspicions(
                    now - self._began,
                    self._received,
                    self._frames,
                    self._listener.described or bool(self._listener.refused),
                    self._source.description,
                )
                + self._listener.nearly()
            )
            for line in set(warnings) - set(self._warnings):
                self._tell(line)
            self._warnings = warnings

    def _down(self, log: LogWriter, evidence: str) -> None:
        """Note that the device is not heard any more."""
        log.record(Link(instant(), LinkState.DOWN, _fit(evidence)))
        self._tell(f"link down: {evidence}")
        self._changed = time.monotonic()
        self._rejoin = Rejoin(Heard.last(self._listener, int(self._heard_at * 1e6)))

    def _join(self, log: LogWriter) -> None:
        """Note that the device is heard again, and store what was held back meanwhile."""
        rejoin, self._rejoin = self._rejoin, None
        assert rejoin is not None
        evidence = rejoin.evidence()
        log.record(Link(rejoin.first or instant(), LinkState.UP, _fit(evidence)))
        self._tell(f"link up: {evidence}")
        self._changed = time.monotonic()
        self._reconnects += 1
        if rejoin.restarted:
            self._restarts += 1
        if rejoin.restarted or rejoin.boot != self._listener.boot:
            self._listener.new_boot()
        for mark, pieces in rejoin.held:
            if self._rejoin is not None:  # restarted again, within the moment of waiting
                self._rejoin.hold(mark, pieces, instant())
                continue
            if mark is not None:
                log.record(mark, keep=False)
            self._store(log, pieces)

    def _settle(self, log: LogWriter) -> None:
        """Store whatever is still held back: no more is coming."""
        while self._rejoin is not None and self._rejoin.held:
            self._join(log)
        self._store(log, self._splitter.finish())

    def _lost(self, log: LogWriter, problem: str) -> None:
        """The link broke: keep what had arrived, note it, let the source go."""
        self._settle(log)
        self._source.close()
        if self._rejoin is None:  # a link that never came to life is not lost twice
            self._down(log, problem)
        self._last_time = None  # the first bytes of the next link get their TIME

    def _reconnect(self, log: LogWriter, end: float) -> None:
        """Try until the source opens, the capture is stopped or its time is over."""
        wait, tries, told = _FIRST_RETRY, 0, ""
        while not self._stop.wait(wait) and time.monotonic() < end:
            tries += 1
            try:
                self._open()
            except (LinkLost, SaglineError) as problem:
                wait = min(wait * _GROWTH, _LAST_RETRY)
                if str(problem) != told:
                    told = str(problem)
                    self._tell(f"trying again: {told}")
                self._look_after(log)
                continue
            if self._rejoin is not None:
                down = time.monotonic() - self._changed
                self._rejoin.note = f"reconnected after {down:.2f} s, try {tries}"
            self._tell(f"{self._source.description} is open again; waiting for the device")
            return


def _fit(text: str) -> str:
    """Return ``text``, shortened to what a record takes."""
    return text.encode(errors="replace")[:MAX_TEXT].decode(errors="ignore")
