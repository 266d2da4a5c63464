"""The strip at the head of a page that has no single ride: its parts in their order, drawn once."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from ..markup import html, joined

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 1000.0, 70.0, 8.0, 8.0, 20.0, 2.0


@dataclass(frozen=True)
class StripMark:
    """One part: ``value`` sets its height, ``side`` its letter and colour, ``told`` its words.

    ``sign`` marks one that asks for a look.
    """

    value: float
    side: str = ""
    told: str = ""
    sign: bool = False


def draw_strip(
    marks: Sequence[StripMark], label: str, ends: tuple[str, str], from_zero: bool
) -> Markup:
    """Return the marks side by side with a ``label`` above and ``ends`` below the two ends.

    Poles stand on zero; where that would hide what differs, dots lie between the least and the
    greatest.
    """
    if not marks:
        return Markup()
    values = [mark.value for mark in marks]
    low = min(0.0, *values) if from_zero else min(values)
    span = (max(values) - low) or 1.0
    step = (WIDTH - LEFT - RIGHT) / len(marks)
    parts = []
    for n, mark in enumerate(marks):
        x = LEFT + (n + 0.5) * step
        y = TOP + (HEIGHT - TOP - BOTTOM - 8) * (1 - (mark.value - low) / span)
        drawn = _one(x, y, min(step * 0.7, 40.0), mark, from_zero)
        parts.append(html("<g>{}<title>{}</title></g>", drawn, mark.told))
    said = "; ".join(mark.told for mark in marks[:40])
    return html(
        '<section class=still aria-label="{}"><p><span>{}</span></p>'
        '<svg class=sketch viewBox="0 0 {:.0f} {:.0f}" role=img aria-label="{}">{}</svg>'
        "<p><span>{}</span><span>{}</span></p></section>",
        *(label, label, WIDTH, HEIGHT, f"{label}: {said}", joined(parts), *ends),
    )


def _one(x: float, y: float, width: float, mark: StripMark, pole: bool) -> Markup:
    if pole:
        foot = HEIGHT - BOTTOM
        odd = " odd" if mark.sign else ""
        height = max(foot - y, 1.5)
        above = f"M{x:.1f} {foot - height - 12:.1f}l5 9h-10Z"
        drawn = html(
            '<rect class="pole{}" x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}"/>',
            *(odd, x - width / 2, foot - height, width, height),
        )
        return drawn + html('<path class="pole odd" d="{}"/>', above) if mark.sign else drawn
    shape = f"M{x - 5:.1f} {y - 5:.1f}h10v10h-10Z" if mark.side == "B" else ""
    kind = "s6" if mark.side == "B" else "s0"
    drawn = (
        html('<path class="{}" d="{}"/>', kind, shape)
        if shape
        else html('<circle class="{}" cx="{:.1f}" cy="{:.1f}" r="5.5"/>', kind, x, y)
    )
    letter = '<text x="{:.1f}" y="{:.1f}" text-anchor="middle">{}</text>'
    return drawn + html(letter, x, y - 8, mark.side)
