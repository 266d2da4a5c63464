"""Captures one after another from one source: all that a screen, a page or a key may ask for.

This is the one interface to a running capture.  Every method may be called from any thread, and
none of them ever waits for the link, the disk or the device (but :meth:`CaptureDesk.join`)::

    desk = CaptureDesk(source, request, tell)
    desk.start()
    desk.snapshot()                  # a frozen CaptureState: stage, rate, lost, space, live numbers
    number = desk.mark("hill")       # a mark now; name_mark(number, text) for a text typed later
    desk.overhear()                  # what comes, as a Source of its own (for the pre-ride check)
    desk.stop("stopped from the page")
    desk.join(5)

Alarms are no part of a capture: give ``snapshot()`` to a :class:`~..live.watch.AlarmWatch`.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace

from ..format import SaglineError
from .recorder import Recorder, Request
from .source import Source
from .state import CaptureState
from .tap import Tap


@dataclass(frozen=True)
class Ended:
    """How the last capture ended: ``state`` is None when it was stopped before there was a file.

    ``problem`` is what kept it from running at all, or its log from being whole on the disk.
    """

    state: CaptureState | None
    problem: BaseException | None
    after_words: tuple[str, ...] = ()


class CaptureDesk:
    """Starts, watches and ends captures; each runs on a thread of its own.

    ``tell`` is called with one line for people whenever something happens; it must not block.
    """

    def __init__(
        self, source: Source, request: Request, tell: Callable[[str], None] = lambda line: None
    ) -> None:
        self._source = source
        self._request = request
        self._tell = tell
        self._recorder = Recorder(source, request, tell)
        self._thread: threading.Thread | None = None
        self._starting = threading.Lock()
        self.ended: Ended | None = None
        """How the last capture ended; None before the first has, and while one runs."""
        self.at_end: Callable[[], None] = lambda: None
        """Called just before a log ends, for what should still go into it."""

    @property
    def running(self) -> bool:
        """Whether a capture runs, or waits for its device."""
        thread = self._thread
        return thread is not None and thread.is_alive()

    def start(self) -> None:
        """Begin a capture, in a file of its own.

        Raises:
            SaglineError: one runs already.
        """
        with self._starting:
            if self.running:
                raise SaglineError("a capture runs already", remedy="end it first")
            self.ended = None
            self._recorder = recorder = Recorder(self._source, self._request, self._tell)
            recorder.at_end = lambda: self.at_end()
            self._thread = threading.Thread(target=self._run, args=(recorder,), name="capture")
            self._thread.start()

    def stop(self, reason: str) -> None:
        """Ask the capture to end; ``reason`` goes into its log.  Harmless when none runs."""
        self._recorder.stop(reason)

    def join(self, timeout: float | None = None) -> None:
        """Wait until no capture runs, at most ``timeout`` s."""
        if self._thread is not None:
            self._thread.join(timeout)

    def snapshot(self) -> CaptureState:
        """Return the state at this moment; of the last capture when none runs."""
        if self.running:
            return self._recorder.snapshot()
        last = self.ended.state if self.ended else None
        return replace(last or self._recorder.snapshot(), stage="idle", link_up=False)

    def mark(self, text: str = "") -> int:
        """Put a numbered mark at this moment and return its number (0 when no file is written)."""
        return self._recorder.mark(text) if self.running else 0

    def name_mark(self, number: int, text: str) -> None:
        """Give mark ``number`` its text afterwards; it then stands in the log twice."""
        self._recorder.name_mark(number, text)

    def overhear(self) -> Tap:
        """Return a source of what the running capture receives; it never holds the capture up."""
        recorder = self._recorder

        def connect(tap: Tap) -> None:
            if not self.running:
                raise SaglineError("no capture runs", remedy="start one first")
            recorder.connect(tap)

        return Tap(f"capture of {self._source.description}", connect, recorder.disconnect)

    def _run(self, recorder: Recorder) -> None:
        state: CaptureState | None = None
        problem: BaseException | None = None
        try:
            state = recorder.run()
            problem = recorder.failure()
        except BaseException as failure:
            problem = failure
        self.ended = Ended(state, problem, recorder.after_words)
