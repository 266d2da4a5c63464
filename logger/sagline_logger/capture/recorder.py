"""Capture: from a source's bytes to a log, through lost links, restarts and full disks."""

import itertools
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from .. import __version__
from ..format import Capture, End, FilePart, Mark, Piece, SaglineError, Setting
from ..format.limits import MAX_FILE_PART
from ..format.stop_flag import StopFlag
from ..live.layout import size
from .counters import Counters
from .link_keeper import LinkKeeper, Phase
from .log_writer import LogWriter, fit, instant
from .sorter import Sorter
from .source import LinkLost, Source
from .state import CaptureState, Stage
from .suspicion import suspicions
from .tap import Tap
from .translator import FRAMES, FramesAsTheyCome, Translation, Translator

_READ = 0.1  # s that a read waits, and so the delay of a stop
_WAIT = 1.0  # s between tries while the device is waited for


@dataclass(frozen=True)
class Request:
    """What to capture, beside the source.

    ``wait`` keeps trying when the source cannot be opened at the start; ``seconds`` ends the
    capture after that time, counted from its first connection.  ``translation``
    says how to read the source's bytes.
    """

    directory: Path
    board_file: bytes | None = None
    settings: tuple[tuple[str, str], ...] = ()
    note: str = ""
    seconds: float | None = None
    wait: bool = False
    translation: Translation = FRAMES


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
        self._link = LinkKeeper(source)
        self._counters = Counters()
        self._translator: Translator = FramesAsTheyCome()
        self._log: LogWriter | None = None
        self._sorter: Sorter | None = None
        self._taps: tuple[Tap, ...] = ()
        self._tapping = threading.Lock()
        self._stop = StopFlag()
        self._stop_reason = ""
        self._began = time.monotonic()
        self._marks = itertools.count(1)
        self._warnings: tuple[str, ...] = ()
        self._named = False
        self._refusals_told = 0
        self.unwritten = 0
        """Bytes that could not be written when the capture ended."""
        self.at_end: Callable[[], None] = lambda: None
        """Called just before the log ends, for what should still go into it."""

    def stop(self, reason: str) -> None:
        """Ask the capture to end; ``reason`` goes into its END record."""
        self._stop_reason = self._stop_reason or reason
        self._stop.set()
        self._link.abandon()

    def mark(self, text: str = "") -> int:
        """Put a numbered mark at this moment and return its number (0 before there is a file)."""
        log = self._log
        if log is None:
            return 0
        number = next(self._marks)
        log.record(Mark(instant(), number, fit(text)))
        self._counters.marks = number
        return number

    def name_mark(self, number: int, text: str) -> None:
        """Give mark ``number`` its text afterwards: a second MARK record with that number."""
        if self._log is not None and number:
            self._log.record(Mark(instant(), number, fit(text)))

    def connect(self, tap: Tap) -> None:
        """Give ``tap`` all that comes from now on."""
        with self._tapping:
            self._taps = (*self._taps, tap)

    def disconnect(self, tap: Tap) -> None:
        """Give ``tap`` nothing more."""
        with self._tapping:
            self._taps = tuple(one for one in self._taps if one is not tap)

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
            version = self._request.translation.version
            self._log = log = LogWriter(self._request.directory, stem, self._tell, version)
        except SaglineError:
            self._link.close()
            raise
        self._began = time.monotonic()
        self._translator = translator = self._request.translation.make()
        self._sorter = sorter = Sorter(log, self._link, self._counters, translator, self._tell)
        self._tell(f"recording {self._source.description} to {log.path}")
        self._head(log)
        sorter.connected(f"connected: {self._source.description}")
        try:
            self._loop(log, sorter)
        finally:
            self._link.close()
            sorter.settle()
            self.at_end()
            log.record(
                End(
                    instant(),
                    self._counters.frames,
                    self._counters.foreign,
                    fit(self._stop_reason or "failed"),
                )
            )
            self.unwritten = log.close()
            for tap in self._taps:
                tap.end()
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
        log, sorter, counters, now = self._log, self._sorter, self._counters, time.monotonic()
        phase = self._link.phase
        stage: Stage = phase.value if sorter else "waiting"
        listener = sorter.listener if sorter else None
        board = listener.board if listener else None
        warnings = list(self._warnings)
        if log is not None and log.problem:
            warnings.append(f"nothing can be written: {log.problem}")
        return CaptureState(
            elapsed=now - self._began,
            path=log.path if log else self._request.directory,
            board_name=board.name if board else "",
            link_up=sorter is not None and phase is Phase.OPEN,
            link_since=now - self._link.since,
            received=counters.received,
            rate=counters.rate(now),
            frames=counters.frames,
            foreign=counters.foreign,
            unread=self._translator.unread,
            unread_of=self._translator.unread_of,
            lost=listener.lost if listener else 0,
            reconnects=counters.reconnects,
            restarts=counters.restarts,
            stage=stage,
            repeated=listener.repeated if listener else 0,
            dropped_frames=log.dropped_frames if log else 0,
            dropped_bytes=log.dropped_bytes if log else 0,
            size=log.size if log else 0,
            free=log.free if log else 0,
            marks=counters.marks,
            values=listener.values() if listener else {},
            channels=listener.channels() if listener else {},
            warnings=tuple(warnings),
        )

    def _first_connection(self) -> bool:
        told = ""
        while not self._stop.is_set():
            try:
                self._link.open()
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
            self._stop.wait(_WAIT)
        return False

    def _head(self, log: LogWriter) -> None:
        """Write what stands at the start of every capture."""
        request, now = self._request, instant()
        program, source = f"sagline-logger {__version__}", fit(self._source.description)
        log.record(Capture(now, program, source, request.note or request.translation.note))
        for name, value in (*request.translation.settings, *request.settings):
            log.record(Setting(now, name, value))
        for name, content in (("board", request.board_file or b""), *request.translation.files):
            for at in range(0, len(content), MAX_FILE_PART):
                part = content[at : at + MAX_FILE_PART]
                log.record(FilePart(now, name, len(content), at, part))

    def _loop(self, log: LogWriter, sorter: Sorter) -> None:
        end = self._began + (self._request.seconds or float("inf"))
        while not self._stop.is_set():
            left = end - time.monotonic()
            if left <= 0:
                self.stop("the time asked for was over")
                return
            if self._link.phase is Phase.RETRY:
                self._stop.wait(min(self._link.pause, left))
                if not self._stop.is_set():
                    self._try_again(sorter)
            else:
                try:
                    data = self._link.read(min(_READ, left))
                except LinkLost as problem:
                    sorter.lost(str(problem))
                    continue
                except EOFError:
                    self.stop("the source ended")
                    return
                if data:
                    pieces = sorter.take(data)
                    for tap in self._taps:
                        tap.put(b"".join(one.raw for one in pieces if isinstance(one, Piece)))
            self._look_after(log, sorter)

    def _try_again(self, sorter: Sorter) -> None:
        if complaint := self._link.try_again():
            self._tell(f"trying again: {complaint}")
        if self._link.phase is Phase.DOWN:
            away = time.monotonic() - self._link.since
            sorter.reopened(f"reconnected after {away:.2f} s, try {self._link.tries}")
            self._tell(f"{self._source.description} is open again; waiting for the device")

    def _look_after(self, log: LogWriter, sorter: Sorter) -> None:
        """Do what is due between reads."""
        now, listener = time.monotonic(), sorter.listener
        self._counters.look(now)
        for line in self._translator.news():
            self._tell(line)
        sorter.join_when_due()
        if self._counters.frames and self._link.silent(self._translator.silence):
            silence = max(self._source.silence, self._translator.silence)
            sorter.fell_silent(f"nothing received for {silence:g} s; the port is still open")
        if listener.board is not None and not self._named:
            self._named = True
            log.name_after(listener.board.name)
        for line in listener.refused[self._refusals_told :]:
            self._refusals_told += 1
            self._tell(
                f"the board breaks the format's rules: {line}; it is kept, but cannot be read "
                "until the board's program is mended"
            )
        if self._link.phase is Phase.OPEN:
            self._suspect(now - self._began, sorter)

    def _suspect(self, elapsed: float, sorter: Sorter) -> None:
        """Note what is not as it should be, and tell what is new."""
        counters, listener, source = self._counters, sorter.listener, self._source
        advice = source.advice
        if self._translator.undecoded:
            advice = replace(advice, undecoded=self._translator.undecoded)
        warnings = suspicions(
            elapsed,
            counters.received,
            counters.frames,
            listener.described or bool(listener.refused),
            source.description,
            advice,
        )
        warnings += listener.nearly()
        for line in set(warnings) - set(self._warnings):
            self._tell(line)
        self._warnings = warnings
