"""A number and what it counts, in the words that fit the number."""


def several(count: int, one: str) -> str:
    """Return ``1 line``, ``3 lines``, ``2 losses``: ``one`` names a single thing."""
    if count == 1:
        return f"1 {one}"
    return f"{count} {one}{'es' if one.endswith(('s', 'ch')) else 's'}"


def several_of(count: int, many: str) -> str:
    """As :func:`several`, of what is named in the plural: ``1 line`` of ``lines``."""
    return several(count, many.removesuffix("s"))


def often(count: int) -> str:
    """Return ``once``, ``3 times``."""
    return "once" if count == 1 else f"{count} times"
