"""Large numerals, three rows high, for numbers read at a glance."""

_ROWS = {
    "0": ("█▀█", "█ █", "▀▀▀"),
    "1": ("▀█ ", " █ ", "▀▀▀"),
    "2": ("▀▀█", "█▀▀", "▀▀▀"),
    "3": ("▀▀█", " ▀█", "▀▀▀"),
    "4": ("█ █", "▀▀█", "  ▀"),
    "5": ("█▀▀", "▀▀█", "▀▀▀"),
    "6": ("█▀▀", "█▀█", "▀▀▀"),
    "7": ("▀▀█", "  █", "  ▀"),
    "8": ("█▀█", "█▀█", "▀▀▀"),
    "9": ("█▀█", "▀▀█", "▀▀▀"),
    ".": (" ", " ", "▀"),
    "-": ("  ", "▀▀", "  "),
    " ": (" ", " ", " "),
}

HEIGHT = 3


def large(number: str) -> tuple[str, str, str]:
    """Return ``number`` (digits, point, minus, space) as three rows of equal width."""
    first, second, third = (
        zip(*(_ROWS[sign] for sign in number), strict=True) if number else 3 * ((),)
    )
    return " ".join(first), " ".join(second), " ".join(third)
