"""A number and what it counts, in the words that fit the number."""


def several(count: int, one: str, more: str = "") -> str:
    """Return ``1 line``, ``3 lines``: ``one`` names a single thing, ``more`` several where these
    have another ending than an s."""
    return f"{count} {one if count == 1 else more or f'{one}s'}"


def often(count: int) -> str:
    """Return ``once``, ``3 times``."""
    return "once" if count == 1 else f"{count} times"
