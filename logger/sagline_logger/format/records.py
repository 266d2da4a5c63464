"""From a frame's body to its record, by kind."""

from dataclasses import dataclass
from typing import get_args

from .device_records import DeviceRecord
from .errors import RecordError
from .host_records import FIRST_HOST_KIND, FilePart, HostRecord, LogStart


@dataclass(frozen=True, slots=True)
class Unknown:
    """A sound frame of a kind this version does not know; kept, and skipped by readers."""

    body: bytes

    def encode(self) -> bytes:
        """Return the record's body."""
        return self.body


Record = DeviceRecord | HostRecord | Unknown

KINDS: dict[int, type[DeviceRecord] | type[HostRecord]] = {
    record.KIND: record for record in (*get_args(DeviceRecord), *get_args(HostRecord))
}
"""Every record kind of this version; a new one is a class and its name in its module's union."""

_NAMES = {LogStart: "LOG", FilePart: "FILE"}


def name_of(kind: int) -> str:
    """Return what the specification calls a kind of record; ``kind 41`` of one not known."""
    record = KINDS.get(kind)
    return f"kind {kind:02X}" if record is None else _NAMES.get(record, record.__name__.upper())


def decode_record(body: bytes) -> Record:
    """Return the record in ``body``; an unknown kind gives :class:`Unknown`.

    Raises:
        RecordError: the body breaks the rules of its kind; it names the record and the field.
    """
    if not body:
        raise RecordError("an empty body has no kind")
    kind = KINDS.get(body[0])
    try:
        return Unknown(body) if kind is None else kind.decode(body)
    except RecordError as problem:
        raise RecordError(f"{name_of(body[0])}: {problem}") from None


def is_host_kind(body: bytes) -> bool:
    """Whether ``body`` claims a kind that only the logger may write."""
    return body[0] >= FIRST_HOST_KIND
