"""A moment of the ride in the few characters that a line has."""


def minute_text(seconds: float) -> str:
    """Return whole minutes and seconds from the start: ``9:30``."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02}"
