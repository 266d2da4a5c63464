"""Channels: how one column of packed samples becomes values with a unit."""

import math
import struct
from dataclasses import dataclass
from enum import IntEnum
from functools import cache

from .errors import RecordError
from .limits import MAX_LABEL, MAX_NAME, MAX_UNIT
from .near_names import nearest_name, unit_remedy
from .vocabulary import Term, vocabulary
from .wire import FieldReader, put, put_text


class SampleType(IntEnum):
    """Type code of a packed sample."""

    U8 = 1
    I8 = 2
    U16 = 3
    I16 = 4
    U32 = 5
    I32 = 6
    F32 = 7


LAYOUT = {
    SampleType.U8: "B",
    SampleType.I8: "b",
    SampleType.U16: "H",
    SampleType.I16: "h",
    SampleType.U32: "I",
    SampleType.I32: "i",
    SampleType.F32: "f",
}
"""``struct`` letter of each sample type."""

SIZE = {kind: struct.calcsize("<" + letter) for kind, letter in LAYOUT.items()}
"""Bytes of each sample type."""

_HAS_MISSING = 1


@dataclass(frozen=True, slots=True)
class Channel:
    """One column of a stream.

    value = (raw × multiplier + offset) × 10^exponent, in ``unit``.  All three are whole numbers,
    so a chip without floating point can state them and a reader gets the decimal it means.
    ``index`` is 0 for the whole vehicle, else 1, 2, … (motor 1, cell 7).  ``missing`` is the raw
    value that stands for "no reading", or None; a float that is NaN is always missing and has no
    code of its own.
    """

    name: str
    unit: str
    type: SampleType
    multiplier: int = 1
    offset: int = 0
    exponent: int = 0
    index: int = 0
    label: str = ""
    missing: int | float | None = None

    @property
    def key(self) -> str:
        """Column name: ``cell_voltage_7``, or just the name when there is no index."""
        return f"{self.name}_{self.index}" if self.index else self.name

    @property
    def term(self) -> Term | None:
        """The standard channel that this is; None for any other.

        It takes the name, the unit and a fitting index: a speed in km/h is not the standard
        ``speed``, and nothing that expects m/s may use it.
        """
        return None if self.nearly else vocabulary().get(self.name)

    @property
    def nearly(self) -> str:
        """Why this is not the standard channel that its name is or nearly is, and what would be
        right, for people; empty where it is, or where the name is the device's own."""
        return _nearly(self.name, self.unit, self.index)

    def value(self, raw: int | float) -> float:
        """Return the value of one raw sample in ``unit``, NaN when missing."""
        if raw == self.missing or raw != raw:
            return math.nan
        return scale(raw * self.multiplier + self.offset, self.exponent)

    def raw(self, value: float) -> int | float:
        """Return the raw sample nearest to ``value``, held inside the type; NaN gives missing.

        Raises:
            RecordError: ``value`` is NaN and the channel has no missing code.
        """
        if value != value:
            if self.missing is not None:
                return self.missing
            if self.type is SampleType.F32:
                return math.nan
            raise RecordError(f"{self.key} has no code for a missing value")
        exact = (scale(value, -self.exponent) - self.offset) / self.multiplier
        if self.type is SampleType.F32:
            return exact
        low, high = _BOUNDS[self.type]
        nearest = low if exact <= low else high if exact >= high else round(exact)
        if nearest == self.missing:  # a real reading must never turn into "no reading"
            nearest += 1 if nearest < high else -1
        return nearest

    def encode(self) -> bytes:
        """Return the channel's bytes inside a STREAM record."""
        self._check()
        flags = 0 if self.missing is None else _HAS_MISSING
        code = bytes(4)
        if self.missing is not None:
            code = put(LAYOUT[self.type], self.missing)
            if struct.unpack("<" + LAYOUT[self.type], code)[0] != self.missing:
                raise RecordError(f"{self.key}: no sample can equal the code {self.missing}")
        return (
            put_text(self.name, MAX_NAME, "a channel name")
            + put_text(self.unit, MAX_UNIT, "a unit")
            + put_text(self.label, MAX_LABEL, "a label")
            + put("BBBb", self.type, self.index, flags, self.exponent)
            + put("ii", self.multiplier, self.offset)
            + code.ljust(4, b"\0")
        )

    @classmethod
    def decode(cls, fields: FieldReader) -> "Channel":
        """Take one channel off a STREAM record."""
        name = fields.text(MAX_NAME, "the channel's name")
        unit = fields.text(MAX_UNIT, f"the unit of {name!r}")
        label = fields.text(MAX_LABEL, f"the label of {name!r}")
        kind, index, flags, exponent = fields.take("BBBb")
        multiplier, offset = fields.take("ii")
        code = fields.raw(4)
        try:
            sample = SampleType(kind)
        except ValueError:
            raise RecordError(f"channel {name!r} has the unknown sample type {kind}") from None
        missing = None
        if flags & _HAS_MISSING:
            missing = struct.unpack_from("<" + LAYOUT[sample], code)[0]
            if missing != missing:  # NaN is missing anyway, and never equal to itself
                missing = None
        channel = cls(name, unit, sample, multiplier, offset, exponent, index, label, missing)
        channel._check()
        return channel

    def _check(self) -> None:
        """Hold the channel to the format's rules, when written and when read."""
        if not self.name:
            raise RecordError("the channel has no name")
        if self.multiplier == 0:
            raise RecordError(f"channel {self.name!r} has a multiplier of zero")
        if abs(self.exponent) > 22:
            raise RecordError(f"channel {self.name!r} has the exponent {self.exponent}, not ±22")


@cache
def _nearly(name: str, unit: str, index: int) -> str:
    """Return :attr:`Channel.nearly`; cached, because it is asked for at every reading."""
    key = f"{name}_{index}" if index else name
    unjudged = "it is shown, but nothing judges it"
    meant = nearest_name(name)
    if meant is not None:
        term = vocabulary()[meant[0]]
        right = f"{term.name}, index {meant[1]}," if meant[1] else term.name
        remedy = unit_remedy(unit, term.unit)
        return f"{key} is no standard name, {right} is: {unjudged}; if that is meant, send that" + (
            f", and {remedy}" if remedy else ""
        )
    standard = vocabulary().get(name)
    if standard is None:
        return ""
    if unit != standard.unit:
        remedy = unit_remedy(unit, standard.unit)
        return f"{key} comes in {unit or 'no unit'}, not {standard.unit}: {unjudged}" + (
            f"; {remedy}" if remedy else ""
        )
    if standard.index == "none" and index:
        return f"{key} has an index, which it should not: {unjudged}; send the index 0"
    # A cell or unit without a number is none; one motor or sensor needs no number.
    if standard.index in ("cell", "unit") and not index:
        return f"{key} has no index: {unjudged}; number them from 1"
    return ""


def bounds(kind: SampleType) -> tuple[int, int]:
    """Return the least and greatest raw value of a whole-number sample type."""
    bits = 8 * SIZE[kind]
    if kind in (SampleType.I8, SampleType.I16, SampleType.I32):
        return -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    return 0, (1 << bits) - 1


_BOUNDS = {int(kind): bounds(kind) for kind in SampleType}
"""By the whole number: the hash of an enumeration's member is Python's own work at every sample."""


def scale(number: int | float, exponent: int) -> float:
    """Return number × 10^exponent, correctly rounded while |number| < 2^53.

    A negative exponent divides, because 10^-n has no exact double but 10^n has one up to n = 22.
    """
    if exponent < 0:
        return number / 10.0**-exponent
    return number * 10.0**exponent
