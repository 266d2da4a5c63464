"""How quantities are shown to people: display units, durations, sensible digits."""

import math

from sagline_logger.format import Channel, vocabulary

_DISPLAY = {"m/s": ("km/h", 3.6), "1": ("%", 100.0)}


def display_unit(channel: Channel) -> tuple[str, float]:
    """Return (unit, factor) that a standard channel is shown in; others stay as sent."""
    if channel.name in vocabulary() and channel.unit in _DISPLAY:
        return _DISPLAY[channel.unit]
    return channel.unit, 1.0


def figure_text(value: float | None, unit: str) -> str:
    """Return a finding's value in words: ``12 min 3 s``, ``26.4 km/h``, ``3.412 V``."""
    if value is None or math.isnan(value):
        return "—"
    if unit == "s" and abs(value) >= 1:
        return duration_text(value)
    if unit == "s":
        return f"{value * 1000:.1f} ms"
    if unit == "m":
        return f"{value / 1000:.2f} km" if abs(value) >= 1000 else f"{value:.0f} m"
    if unit == "":
        return f"{value:,.0f}".replace(",", "\u2009")
    unit, factor = _DISPLAY.get(unit, (unit, 1.0))
    value *= factor
    if unit == "%":
        return f"{value:.0f} %"
    digits = 3 if unit == "V" and abs(value) < 10 else _digits(value)
    return f"{value:.{digits}f}\u202f{unit}".replace("-", "−")


def duration_text(seconds: float) -> str:
    """Return a duration such as ``1 h 02 min 05 s`` or ``0.35 s``."""
    if seconds < 10:
        return f"{seconds:.2f} s"
    whole = round(seconds)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    if hours:
        return f"{hours} h {minutes:02d} min {rest:02d} s"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def _digits(value: float) -> int:
    size = abs(value)
    return 0 if size >= 1000 else 1 if size >= 10 else 2
