"""One cell of a column file: its text to a raw sample, exactly."""

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Context, Decimal, DecimalException, Overflow
from decimal import InvalidOperation as Invalid
from math import lcm

from .units import Conversion

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_LONGEST = 60
HELD = 1 << 17
"""Texts whose samples are remembered, for all columns together: readings repeat."""
_EXACT = Context(prec=80, Emax=200, Emin=-200, traps=[Invalid, Overflow])
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

FURTHEST = 1 << 62
"""µs: times from here on do not fit a log."""


class Blank:
    """Nothing between two delimiters."""


BLANK = Blank()
Cell = int | None | Blank
"""A raw sample, None for "no reading", or BLANK."""


class BadCell(ValueError):
    """A text that is no number; says what to do."""


def number(text: str, decimal: str) -> Decimal:
    """Return the number in ``text``.

    Raises:
        BadCell: there is none.
    """
    plain = text.replace(decimal, ".") if decimal != "." else text
    if len(text) > _LONGEST or (decimal != "." and "." in text) or not _NUMBER.fullmatch(plain):
        shown = text if len(text) <= _LONGEST else text[:_LONGEST] + "…"
        hint = f'; numbers have a decimal "{decimal}" by the map' if set(text) & {",", "."} else ""
        raise BadCell(f"{shown!r} is not a number{hint}")
    try:
        return _EXACT.create_decimal(plain)
    except DecimalException:
        raise BadCell(f"{text!r} is out of range") from None


def holds_number(text: str, decimal: str) -> bool:
    """Whether ``text`` is a number and nothing else."""
    try:
        number(text, decimal)
    except BadCell:
        return False
    return True


def to_whole(line: Conversion) -> Callable[[Decimal], int]:
    """Return the function that takes a number along ``line`` to the nearest whole number.

    A half goes to the even one.  Source of the exactness: one multiplication and addition of whole
    numbers, one division, at 80 digits.
    """
    bottom = lcm(line.factor.denominator, line.offset.denominator)
    factor = Decimal(int(line.factor * bottom))
    offset = Decimal(int(line.offset * bottom))
    divisor = Decimal(bottom)

    def whole(value: Decimal) -> int:
        return int(_EXACT.divide(_EXACT.fma(value, factor, offset), divisor).to_integral_value())

    return whole


def cell_reader(
    line: Conversion, decimal: str, missing: tuple[str, ...], held: int, most: int = 2**32 - 2
) -> Callable[[str], Cell]:
    """Return the function that reads the cells of one column; it raises :class:`BadCell`.

    It remembers what ``held`` texts came to; ``most`` is the greatest multiple of the resolution
    that can be kept.
    """
    whole = to_whole(line)
    seen: dict[str, Cell] = {}

    def read(text: str) -> Cell:
        try:
            return seen[text]
        except KeyError:
            pass
        plain = text.strip()
        found: Cell
        if not plain:
            found = BLANK
        elif plain.lower() in missing:
            found = None
        else:
            try:
                found = whole(number(plain, decimal))
            except DecimalException:
                raise BadCell(f"{plain!r} is out of range") from None
            if not -(2**31) < found <= most:
                raise BadCell(
                    f"{plain!r} needs more than 32 bits at this resolution; use a coarser one"
                )
        if len(seen) >= held:
            seen.clear()
        if len(text) <= _LONGEST:
            seen[text] = found
        return found

    return read


def iso_micros(text: str) -> int | None:
    """Return µs since 1970 UTC of a date and time by ISO 8601, None if it is none.

    A time without an offset from UTC is taken as UTC.
    """
    try:
        moment = datetime.fromisoformat(text.strip())
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=UTC)
        return (moment - _EPOCH) // timedelta(microseconds=1)
    except (ValueError, OverflowError):
        return None


def time_reader(unit: int, decimal: str) -> Callable[[str], int]:
    """Return the function from a time cell to whole µs; it raises :class:`BadCell`."""
    if not unit:

        def read_iso(text: str) -> int:
            found = iso_micros(text)
            if found is None:
                raise BadCell(f"{text[:_LONGEST]!r} is no date and time by ISO 8601")
            return found

        return read_iso
    whole = to_whole(Conversion(Conversion().factor * unit))

    def read(text: str) -> int:
        try:
            found = whole(number(text.strip(), decimal))
        except DecimalException:
            found = FURTHEST
        if abs(found) >= FURTHEST:
            raise BadCell(f"{text[:_LONGEST]!r} is too far off for a time")
        return found

    return read
