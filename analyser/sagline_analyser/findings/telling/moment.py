"""A moment of the ride in the few characters that a line has."""


def minute_text(seconds: float) -> str:
    """Return whole minutes and seconds from the start: ``9:30``."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02}"


def moment_text(seconds: float) -> str:
    """Return a time from the start such as ``12:03.4`` or ``1:02:03.4``."""
    tenths = round(seconds * 10)
    hours, minutes, rest = tenths // 36000, tenths // 600 % 60, tenths % 600 / 10
    return f"{hours}:{minutes:02d}:{rest:04.1f}" if hours else f"{minutes}:{rest:04.1f}"
