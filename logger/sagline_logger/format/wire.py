"""Reading and writing the primitive fields of a record body, little-endian throughout."""

import struct
from functools import cache
from typing import Any

from .errors import RecordError


class FieldReader:
    """Takes fields off the front of a body; every short or malformed field is a RecordError."""

    def __init__(self, body: bytes, at: int = 0) -> None:
        self.body: bytes = body
        self.at: int = at

    def take(self, layout: str) -> tuple[Any, ...]:
        """Return the values of a ``struct`` layout (little-endian is implied)."""
        form = _form(layout)
        start, self.at = self.at, self.at + form.size
        if self.at > len(self.body):
            raise RecordError(f"the record ends at byte {len(self.body)}, inside a field")
        return form.unpack_from(self.body, start)

    def raw(self, size: int, what: str = "a field") -> bytes:
        """Return the next ``size`` bytes, of the field ``what``."""
        if self.at + size > len(self.body):
            raise RecordError(f"the record ends at byte {len(self.body)}, inside {what}")
        self.at += size
        return self.body[self.at - size : self.at]

    def text(self, limit: int, what: str) -> str:
        """Return the text ``what``: u16 length in bytes, then UTF-8."""
        (size,) = self.take("H")
        if size > limit:
            raise RecordError(f"{what} has {size} bytes, over its limit of {limit}")
        try:
            return self.raw(size, what).decode()
        except UnicodeDecodeError:
            raise RecordError(f"{what} is not UTF-8") from None

    def rest(self) -> bytes:
        """Return all bytes that remain."""
        return self.raw(len(self.body) - self.at)


@cache
def _form(layout: str) -> struct.Struct:
    return struct.Struct("<" + layout)


def put_text(text: str, limit: int, what: str) -> bytes:
    """Return ``text`` as a field.

    Raises:
        RecordError: the text is over ``limit`` bytes of UTF-8, or has none.
    """
    try:
        raw = text.encode()
    except UnicodeEncodeError:  # half a surrogate pair: an argument in another encoding
        raise RecordError(f"{what} holds bytes that are not UTF-8") from None
    if len(raw) > limit:
        raise RecordError(f"{what} has {len(raw)} bytes, over its limit of {limit}")
    return struct.pack("<H", len(raw)) + raw


def put(layout: str, *values: int | float | bytes) -> bytes:
    """Pack fields little-endian.

    Raises:
        RecordError: a value does not fit its field.
    """
    try:
        return struct.pack("<" + layout, *values)
    except (struct.error, OverflowError) as problem:
        raise RecordError(f"a value does not fit its field: {problem}") from None
