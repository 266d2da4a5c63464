"""A capture read again from its raw bytes by another map: nothing is lost to a wrong one.

What the logger wrote stays (times, marks, settings, links); what it had made of the input is made
anew.  Of a plain capture of text, in which nothing was understood, the foreign bytes are the input.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from ..format import (
    Capture,
    Dropped,
    End,
    FilePart,
    Foreign,
    Instant,
    Link,
    LinkState,
    LogStart,
    Mark,
    Piece,
    Raw,
    RawForm,
    SaglineError,
    Setting,
    Time,
    encode_frame,
)
from ..format.limits import MAX_FILE_PART
from ..format.log_file import open_log, read_shown
from ..format.output import check_output, output
from .translator import Item, Translation, Translator

_HOST = LogStart | Capture | Setting | FilePart | Link | Time | Mark | Dropped | End


@dataclass
class Reread:
    """What came of it."""

    path: Path
    size: int = 0
    raw: int = 0
    """Bytes of input."""
    frames: int = 0
    unread: int = 0


def reread(log: Path, translation: Translation, form: RawForm, target: Path) -> Reread:
    """Write ``log`` anew as ``target``, its input of ``form`` read by ``translation``.

    Raises:
        SaglineError: a file cannot be read or written, or the log holds no input of that form.
    """
    check_output(target)
    found = Reread(target)
    with open_log(log) as file:
        is_raw, frames = False, 0
        for entry in read_shown(file, f"looking at {log.name}"):
            is_raw = is_raw or isinstance(entry.record, Raw)
            frames += entry.device or not isinstance(entry.record, _HOST | Raw | Foreign | None)
            if isinstance(entry.record, Raw) and entry.record.form is not form:
                raise SaglineError(
                    f"its raw bytes are no {_WORDS[form]}",
                    where=str(log),
                    remedy="read them as what they are: see sagline-logger reread --help",
                )
    if not is_raw and (frames or form is not RawForm.TEXT):
        raise SaglineError(
            "it holds no raw bytes, but the frames of a board",
            where=str(log),
            remedy="there is nothing to read again; verify says what is in it",
        )
    with open_log(log) as file, output(target) as out:
        for part in _Again(translation, is_raw, found).read(
            entry.record for entry in read_shown(file, f"reading {log.name}")
        ):
            found.size += out.write(part)
    if not found.raw:
        raise SaglineError("it holds no raw bytes", where=str(log), remedy="nothing was received")
    return found


_WORDS = {RawForm.TEXT: "lines of text", RawForm.CAN: "CAN frames"}


class _Again:
    """The records of a log, one after another, to the bytes of the new one."""

    def __init__(self, translation: Translation, is_raw: bool, found: Reread) -> None:
        self._translation = translation
        self._is_raw = is_raw
        self._found = found
        self._translator: Translator = translation.make()
        self._now = Instant(0, 0)
        self._frames = 0
        self._position = 0  # of foreign bytes
        self._due: deque[Time] = deque()

    def read(self, records: "Iterator[object]") -> Iterator[bytes]:
        """Yield the new log, from records in order (None where the file is damaged)."""
        yield encode_frame(LogStart(self._translation.version).encode())
        for record in records:
            if isinstance(record, _HOST) and not isinstance(record, LogStart):
                self._now = record.at
            match record:
                case Capture():
                    yield from self._begin(record)
                case Raw():
                    yield from self._take(record.data, record.at)
                case Foreign() if not self._is_raw:
                    yield from self._foreign(record)
                case Time():
                    if self._is_raw:
                        yield _frame(Time(record.at, self._translator.position))
                    else:
                        self._due.append(record)
                case FilePart(name="map") | FilePart(name="dbc"):
                    pass
                case Link(state=LinkState.DOWN):
                    yield from self._finish()
                    yield _frame(record)
                case End():
                    yield from self._finish()
                    yield _frame(replace(record, frames=self._frames, foreign=0))
                case Dropped():  # of the old stream; the new one lacks nothing that it counts
                    yield _frame(replace(record, device=0))
                case Setting() | FilePart() | Link() | Mark():
                    yield _frame(record)
        yield from self._finish()
        self._found.unread += self._translator.unread

    def _begin(self, record: Capture) -> Iterator[bytes]:
        yield from self._finish()
        self._found.unread += self._translator.unread
        self._translator = self._translation.make()
        self._frames = self._position = 0
        self._due.clear()
        yield _frame(record)
        for name, value in self._translation.settings:
            yield _frame(Setting(record.at, name, value))
        for name, content in self._translation.files:
            for at in range(0, len(content), MAX_FILE_PART):
                part = content[at : at + MAX_FILE_PART]
                yield _frame(FilePart(record.at, name, len(content), at, part))

    def _foreign(self, record: Foreign) -> Iterator[bytes]:
        """Take foreign bytes, each as of the TIME that says when it came (frame_format.md §6.3)."""
        data = record.data
        while data:
            while self._due and self._due[0].position <= self._position:
                self._now = self._due.popleft().at
                yield _frame(Time(self._now, self._translator.position))
            most = self._due[0].position - self._position if self._due else len(data)
            part, data = data[:most], data[most:]
            self._position += len(part)
            yield from self._take(part, self._now)

    def _take(self, data: bytes, at: Instant) -> Iterator[bytes]:
        self._found.raw += len(data)
        yield from self._put(self._translator.feed(data, at))

    def _finish(self) -> Iterator[bytes]:
        yield from self._put(self._translator.finish(self._now))

    def _put(self, items: list[Item]) -> Iterator[bytes]:
        for item in items:
            if isinstance(item, Piece):
                self._frames += 1
                self._found.frames += 1
                yield item.raw
            else:
                yield _frame(item)


def _frame(
    record: Capture | Setting | FilePart | Link | Time | Mark | Dropped | Raw | End,
) -> bytes:
    return encode_frame(record.encode())
