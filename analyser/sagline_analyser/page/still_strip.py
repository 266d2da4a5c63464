"""The strip at the head of a page that has no single ride: its parts in their order, drawn once."""

from collections.abc import Sequence
from dataclasses import dataclass

from .tables import escape

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 1000.0, 70.0, 8.0, 8.0, 20.0, 2.0


@dataclass(frozen=True)
class Mark:
    """One part: ``value`` sets its height, ``side`` its letter and colour, ``told`` its words.

    ``sign`` marks one that asks for a look.
    """

    value: float
    side: str = ""
    told: str = ""
    sign: bool = False


def draw_strip(marks: Sequence[Mark], label: str, ends: tuple[str, str], from_zero: bool) -> str:
    """Return the marks side by side with a ``label`` above and ``ends`` below the two ends.

    Poles stand on zero; where that would hide what differs, dots lie between the least and the
    greatest.
    """
    if not marks:
        return ""
    values = [mark.value for mark in marks]
    low = min(0.0, *values) if from_zero else min(values)
    span = (max(values) - low) or 1.0
    step = (WIDTH - LEFT - RIGHT) / len(marks)
    parts = []
    for n, mark in enumerate(marks):
        x = LEFT + (n + 0.5) * step
        y = TOP + (HEIGHT - TOP - BOTTOM - 8) * (1 - (mark.value - low) / span)
        parts.append("<g>" + _one(x, y, min(step * 0.7, 40.0), mark, from_zero))
        parts.append(f"<title>{escape(mark.told)}</title></g>")
    said = "; ".join(mark.told for mark in marks[:40])
    first, last = (escape(end) for end in ends)
    return (
        f"<section class=still aria-label='{escape(label)}'><p><span>{escape(label)}</span></p>"
        f'<svg class=sketch viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" role=img '
        f'aria-label="{escape(f"{label}: {said}")}">{"".join(parts)}</svg>'
        f"<p><span>{first}</span><span>{last}</span></p></section>"
    )


def _one(x: float, y: float, width: float, mark: Mark, pole: bool) -> str:
    if pole:
        foot = HEIGHT - BOTTOM
        odd = " odd" if mark.sign else ""
        height = max(foot - y, 1.5)
        above = f"M{x:.1f} {foot - height - 12:.1f}l5 9h-10Z"
        return (
            f'<rect class="pole{odd}" x="{x - width / 2:.1f}" y="{foot - height:.1f}" '
            f'width="{width:.1f}" height="{height:.1f}"/>'
            + (f'<path class="pole odd" d="{above}"/>' if mark.sign else "")
        )
    shape = f"M{x - 5:.1f} {y - 5:.1f}h10v10h-10Z" if mark.side == "B" else ""
    kind = "s6" if mark.side == "B" else "s0"
    drawn = (
        f'<path class="{kind}" d="{shape}"/>'
        if shape
        else f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="5.5"/>'
    )
    letter = f'<text x="{x:.1f}" y="{y - 8:.1f}" text-anchor="middle">{escape(mark.side)}</text>'
    return drawn + letter
