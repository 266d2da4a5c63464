"""The log file being written: append-only, never overwriting, safe against crash and full disk.

Capture hands whole frames to :meth:`LogWriter.append` and never waits for the disk: a thread of
its own writes them out, in order.

What is at risk.  The thread writes what has gathered every ``WRITE_EVERY`` = 0.2 s, and calls
``fdatasync`` every ``SYNC_EVERY`` = 0.4 s.  A killed program therefore loses at most 0.2 s of
frames.  A power cut loses at most 0.4 s plus the time the disk takes to sync, which stays under the
stated bound of 1 s on any disk that syncs within 0.6 s.  Only the last frame can be torn, and a
reader skips a torn frame.

Why not sync more often: for every sync an SD card rewrites a whole flash page (16 KiB or more) and
the file system's journal, however little is new, so syncing each read would wear the card and stall
it for longer than a serial port can buffer.  Two and a half syncs a second cost a card about as
much as an ordinary system log.  (Page size and wear: common practice, no single source.)

The directory entry is synced when the file is created and when it is renamed.

Full disk.  What cannot be written is held in memory up to ``HOLD`` bytes; beyond that, device
frames are dropped and counted, and a DROPPED record with the counts stands at that place in the
file.  Writing is tried again at every beat, so capture resumes by itself when space returns.
"""

import contextlib
import errno
import itertools
import os
import shutil
import threading
import time
from collections.abc import Callable
from pathlib import Path

from ..format import (
    SUFFIX,
    VERSION,
    Dropped,
    Foreign,
    HostRecord,
    Instant,
    LogStart,
    SaglineError,
    encode_frame,
    move_to_new,
)
from ..format.limits import MAX_TEXT

WRITE_EVERY = 0.2
"""Seconds between two writes."""
SYNC_EVERY = 0.4
"""Seconds between two syncs, while there is anything to sync."""
HOLD = 4 << 20
"""Most bytes held in memory while the disk does not take them."""
_EARLY = 1 << 20  # write before the beat when this much waits
_NO_SPACE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def instant() -> Instant:
    """Return the host's two clocks now."""
    return Instant(time.monotonic_ns() // 1000, time.time_ns() // 1000)


def fit(text: str) -> str:
    """Return ``text``, shortened to what a record takes."""
    return text.encode(errors="replace")[:MAX_TEXT].decode(errors="ignore")


class LogWriter:
    """One new log file in ``directory``, named ``stem``, of a ``version`` of the format.

    ``alarm`` is called, from the writing thread, with one line whenever writing begins to fail and
    when it works again.

    Raises:
        SaglineError: the file cannot be created.
    """

    def __init__(
        self,
        directory: Path,
        stem: str,
        alarm: Callable[[str], None] = lambda line: None,
        version: tuple[int, int] = VERSION,
    ) -> None:
        self._alarm = alarm
        signature = encode_frame(LogStart(version).encode())
        try:
            directory.mkdir(parents=True, exist_ok=True)
            self._file, self.path = _create(directory, stem)
            try:
                _write_all(self._file, signature)
                os.fsync(self._file)
                _sync_directory(directory)
                self.free = shutil.disk_usage(directory).free
            except OSError:
                os.close(self._file)
                self.path.unlink(missing_ok=True)  # nothing is in it
                raise
        except OSError as problem:
            raise SaglineError(
                f"cannot create a log here ({problem.strerror})",
                where=str(directory),
                remedy=f"{remedy(problem.errno)}, or choose another directory with --out",
            ) from None
        self._stem = self.path.stem
        self._board = self._named = ""
        self.size = len(signature)
        """Bytes in the file."""
        self.problem = ""
        """Why nothing can be written at present; empty when all is well."""
        self.unsaved = ""
        """Why part of the log may not have reached the disk; empty when all has."""
        self.gone = False
        """The file was taken away and could not be written anew."""
        self.notes: list[str] = []
        """What should be said at the end, in lines."""
        self.remedy = remedy(None)
        """What to do about the last problem."""
        self.dropped_frames = 0
        self.dropped_bytes = 0
        self._gap_frames = 0
        self._gap_bytes = self._gap_device = 0
        self._gap_reason = ""
        self._pending: list[bytes] = []
        self._batch = b""
        self._in_doubt = False
        self._held = 0
        self._closing = False
        self._synced = time.monotonic()
        self._wake = threading.Condition()
        self._thread = threading.Thread(target=self._run, name="log writer", daemon=True)
        self._thread.start()

    def append(self, frames: bytes, count: int = 0, device: int = 0, *, keep: bool = False) -> None:
        """Hand over whole frames, ``count`` of them the device's, and ``device`` bytes of what it
        sent in them; never waits for the disk.

        With ``keep`` they are held even when there is no room (a few small records).
        """
        with self._wake:
            if self._gap_bytes and (keep or self._held <= HOLD // 2):
                self._close_gap()
            elif not keep and (self._gap_bytes or self._held + len(frames) > HOLD):
                self._gap_reason = self.problem or self._gap_reason
                self._gap_frames += count
                self._gap_bytes += len(frames)
                self._gap_device += device
                self.dropped_frames += count
                self.dropped_bytes += len(frames)
                return
            self._pending.append(frames)
            self._held += len(frames)
            if self._held >= _EARLY and not self.problem:
                self._wake.notify()

    def record(self, record: HostRecord, *, keep: bool = True) -> None:
        """Append one of the logger's own records."""
        device = len(record.data) if isinstance(record, Foreign) else 0
        self.append(encode_frame(record.encode()), 0, device, keep=keep)

    def name_after(self, board: str) -> None:
        """Rename the file after the board, as soon as the disk allows."""
        word = "".join(c if c.isascii() and c.isalnum() else "-" for c in board.lower())
        self._board = self._named = "-".join(filter(None, word.split("-"))) or "board"

    def close(self) -> int:
        """Write what is left and close; return the bytes that could not be written."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        self._thread.join()
        return self._held + (self.size if self.gone else 0)

    def _close_gap(self) -> None:
        reason = self._gap_reason or "the disk did not keep up"
        record = Dropped(instant(), self._gap_frames, self._gap_bytes, reason, self._gap_device)
        frame = encode_frame(record.encode())
        self._pending.append(frame)
        self._held += len(frame)
        self._gap_frames = self._gap_bytes = self._gap_device = 0
        self._gap_reason = ""

    def _run(self) -> None:
        closing = False
        while not closing:
            with self._wake:
                self._wake.wait_for(
                    lambda: self._closing or (self._held >= _EARLY and not self.problem),
                    WRITE_EVERY,
                )
                closing = self._closing
            self._write_out(closing)
            if self._board and os.name != "nt":
                self._rename()
        os.close(self._file)
        if self._board:  # Windows cannot rename an open file
            self._rename()

    def _write_out(self, closing: bool) -> None:
        """Write all that is pending, sync if due; note a failure and when it is over."""
        try:
            while True:
                if not self._batch:
                    with self._wake:
                        self._batch = b"".join(self._pending)
                        self._pending.clear()
                    if not self._batch:
                        break
                if self._in_doubt:
                    # What the failed write left on the disk is unknown: a delimiter ends it, so
                    # that the next whole frame reads.
                    os.write(self._file, b"\0")
                    self._in_doubt = False
                done = os.write(self._file, self._batch)
                self.size += done
                self._batch = self._batch[done:]
                with self._wake:
                    self._held -= done
            if closing or time.monotonic() - self._synced >= SYNC_EVERY:
                self._sync()
                self._synced = time.monotonic()
                self._keep_in_place()
                self.free = shutil.disk_usage(self.path.parent).free
        except OSError as problem:
            self.remedy = remedy(problem.errno)
            if problem.errno not in _NO_SPACE:  # a short write on a full disk is exact, others not
                self._in_doubt = True
            if not self.problem:
                self.problem = problem.strerror or str(problem)
                self._alarm(f"cannot write to {self.path}: {self.problem}; keeping the link alive")
            return
        if self.problem:
            self.problem = ""
            lost = self.dropped_frames
            self._alarm(f"writing again; {lost} frames dropped so far")

    def _sync(self) -> None:
        try:
            os.fdatasync(self._file) if hasattr(os, "fdatasync") else os.fsync(self._file)
        except OSError as problem:
            # The system tells this once and then forgets it: what was lost cannot be known later.
            self.unsaved = problem.strerror or str(problem)
            raise

    def _keep_in_place(self) -> None:
        """Go on in a new file when the log was deleted, or its directory moved or removed.

        All that was written can still be read through the open file, so the new one is whole.
        """
        try:
            there = self.path.stat()
            ours = os.fstat(self._file)
            if (there.st_ino, there.st_dev) == (ours.st_ino, ours.st_dev):
                self.gone = False
                return
        except OSError:
            pass
        if os.name == "nt":
            return  # Windows takes no open file away
        old, told, self.gone = self.path, self.gone, True
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            number, path = _create(self.path.parent, self._stem)
        except OSError as problem:
            if not told:
                self._alarm(
                    f"{old} was taken away, and no other can be made here ({problem.strerror}); "
                    "trying on"
                )
            return
        try:
            at = 0
            while part := os.pread(self._file, 1 << 20, at):
                _write_all(number, part)
                at += len(part)
            os.fsync(number)
        except OSError:
            os.close(number)
            path.unlink(missing_ok=True)
            raise
        os.close(self._file)
        self._file, self.path, self.gone = number, path, False
        _sync_directory(path.parent)
        if self._named:
            self._board = self._named
        line = f"{old} was taken away while recording; all of it, and what follows, is written anew"
        self.notes.append(line)
        self._alarm(line)

    def _rename(self) -> None:
        """Give the file its full name without ever replacing another file."""
        stem, self._board = f"{self._stem}_{self._board}", ""
        with contextlib.suppress(OSError):  # the first name is good enough: never risk the log
            for target in _names(self.path.parent, stem):
                try:
                    move_to_new(self.path, target)
                except FileExistsError:
                    continue
                self.path = target
                _sync_directory(target.parent)
                return


def _names(directory: Path, stem: str) -> "itertools.chain[Path]":
    more = (directory / f"{stem}_{n}{SUFFIX}" for n in itertools.count(2))
    return itertools.chain((directory / f"{stem}{SUFFIX}",), more)


def _create(directory: Path, stem: str) -> tuple[int, Path]:
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0)
    for path in _names(directory, stem):
        with contextlib.suppress(FileExistsError):
            return os.open(path, flags, 0o644), path
    raise AssertionError("unreachable")


def remedy(number: int | None) -> str:
    """Return what to do about an error of the disk, by its number."""
    if number is None or number in _NO_SPACE:
        return "free space on the disk before the next capture"
    return "try another disk or card, and look at what the system says about this one"


def _write_all(file: int, data: bytes) -> None:
    while data:
        data = data[os.write(file, data) :]


def _sync_directory(directory: Path) -> None:
    if os.name == "nt":
        return  # Windows keeps directory entries safe by itself and cannot open a directory
    handle = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
