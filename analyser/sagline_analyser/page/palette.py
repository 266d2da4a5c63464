"""The colours of lines: M. Okabe and K. Ito, "Color Universal Design" (2008), made for
colour-blind readers."""

PALETTE = ("#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7")
"""Okabe and Ito's eight colours in their order; the first becomes near-white in dark mode."""


def palette_style() -> str:
    """Return the CSS that calls them ``--c0`` to ``--c7``."""
    said = "; ".join(f"--c{at}: {colour}" for at, colour in enumerate(PALETTE))
    return f":root {{ {said} }}\n"
