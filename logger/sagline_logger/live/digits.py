"""Large numerals, three rows high or a multiple, for numbers read at a glance."""

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


_HALVES = {" ": "  ", "▀": "# ", "▄": " #", "█": "##"}
"""Upper and lower half of each sign that a numeral is made of."""
_SIGNS = {halves: sign for sign, halves in _HALVES.items()}


def large(number: str, scale: int = 1) -> tuple[str, ...]:
    """Return ``number`` (digits, point, minus, space) as rows of equal width, three a scale."""
    rows = [" ".join(_ROWS[sign][level] for sign in number) for level in range(HEIGHT)]
    if scale == 1:
        return tuple(rows)
    halves = ["".join(_HALVES[sign][half] for sign in row) for row in rows for half in (0, 1)]
    tall = ["".join(dot * scale for dot in half) for half in halves for _ in range(scale)]
    return tuple(
        "".join(_SIGNS[upper + lower] for upper, lower in zip(one, other, strict=True))
        for one, other in zip(tall[::2], tall[1::2], strict=True)
    )
