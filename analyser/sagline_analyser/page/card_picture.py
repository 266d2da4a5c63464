"""An answer's small picture as SVG: bars against a rating, parts of a whole, steps in time."""

from collections.abc import Sequence

from markupsafe import Markup

from ..findings.telling.picture import Bars, Picture, Row, Shares, Steps
from ..markup import html, joined
from .units import figure_text

WIDTH = 320
ROW = 18
LABEL, LETTERS = 132, 22
"""px of the bars' labels, and how many letters they hold."""

BOLD = 6.8
"""px of a letter of a bold figure, at most."""

MOST = 14
"""Bars or steps drawn; more would be a table."""


def draw(picture: Picture | None) -> Markup:
    """Return the picture as an ``<svg>`` that scales to its card, or an empty string."""
    match picture:
        case Bars() if len(picture.bars) > MOST // 2:
            return _columns(picture)
        case Bars():
            return _bars(picture)
        case Shares():
            return _shares(picture)
        case Steps():
            return _steps(picture)
        case None:
            return Markup()
    return _rows(picture.rows)


def _svg(height: float, words: Sequence[str], parts: Sequence[Markup]) -> Markup:
    return html(
        '<svg class=sketch viewBox="0 0 {} {:.0f}" role=img aria-label="{}">{}</svg>',
        *(WIDTH, height, "; ".join(words), joined(parts)),
    )


def _text(x: float, y: float, text: str, kind: str = "", anchor: str = "start") -> Markup:
    of = html(' class="{}"', kind) if kind else Markup()
    pattern = '<text x="{:.1f}" y="{:.1f}" text-anchor="{}"{}>{}</text>'
    return html(pattern, x, y, anchor, of, text)


def _rect(kind: str, x: float, y: float, width: float, height: float) -> Markup:
    pattern = '<rect class="{}" x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}"/>'
    return html(pattern, kind, x, y, width, height)


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def _top(picture: Bars) -> float:
    ends = [bar.high if bar.high is not None else bar.value for bar in picture.bars]
    return max([*ends, picture.mark or 0.0, 1e-9])


def _bars(picture: Bars) -> Markup:
    top, letters = _top(picture), [len(figure_text(b.value, picture.unit)) for b in picture.bars]
    room = WIDTH - LABEL - max(62.0, 12 + BOLD * max(letters, default=0))
    parts, values, said = [], [], []
    under = 0
    if picture.what:
        under = ROW
        values.append(_text(0, 11, picture.what))
        said.append(picture.what)
    for n, bar in enumerate(picture.bars[:MOST]):
        y = under + n * ROW + 3
        size = max(bar.value, 0.0) / top * room
        odd = " odd" if bar.odd else ""
        value = figure_text(bar.value, picture.unit)
        parts.append(_text(LABEL - 6, y + 10, _short(bar.label, LETTERS), "", "end"))
        parts.append(_rect(f"pole{odd}", LABEL, y, size, 12))
        if bar.low is not None and bar.high is not None:
            parts.append(_whisker(LABEL + bar.low / top * room, LABEL + bar.high / top * room, y))
        end = max(size, (bar.high or 0.0) / top * room)
        values.append(_text(LABEL + end + 5, y + 10, value, "strong" if bar.odd else ""))
        said.append(f"{bar.label} {value}")
    height = under + len(picture.bars[:MOST]) * ROW + 4
    if picture.mark is not None:
        x = LABEL + picture.mark / top * room
        parts.append(html('<path class=mark d="M{:.1f} {}V{}"/>', x, under, height))
        parts.append(_text(x, height + 10, picture.mark_label, "", "middle"))
        height += 14
    return _svg(height, said, [*parts, *values])  # no line through a figure


def _whisker(low: float, high: float, y: float) -> Markup:
    ends = f"M{low:.1f} {y + 2}v8M{high:.1f} {y + 2}v8"
    return html('<path class=whisker d="M{:.1f} {}H{:.1f}{}"/>', low, y + 6, high, ends)


def _columns(picture: Bars) -> Markup:
    """Many bars stand side by side, each with its own number."""
    top, height = _top(picture), 70.0
    step = (WIDTH - 40) / len(picture.bars)
    parts, said = [], []
    for n, bar in enumerate(picture.bars):
        x, size = 34 + n * step, max(bar.value, 0.0) / top * height
        odd = " odd" if bar.odd else ""
        parts.append(_rect(f"pole{odd}", x, 14 + height - size, step * 0.72, size))
        if bar.odd or n in (0, len(picture.bars) - 1):
            parts.append(
                _text(
                    x + step * 0.36,
                    14 + height + 12,
                    bar.label.split()[-1],
                    "strong" if bar.odd else "",
                    "middle",
                )
            )
        if bar.odd:
            value = figure_text(bar.value, picture.unit)
            parts.append(_text(x + step * 0.36, 10 + height - size, value, "strong", "middle"))
        said.append(f"{bar.label} {figure_text(bar.value, picture.unit)}")
    if picture.mark is not None:
        y = 14 + height - picture.mark / top * height
        parts.append(html('<path class=mark d="M30 {:.1f}H{}"/>', y, WIDTH - 6))
        parts.append(_text(28, y + 4, figure_text(picture.mark, picture.unit), "", "end"))
    return _svg(height + 30, said, parts)


def _rows(rows: Sequence[Row]) -> Markup:
    """Draw what any picture has: a name, a bar where there is one, and what stands beside it."""
    room = WIDTH - LABEL - 62
    parts, said = [], []
    for n, row in enumerate(rows[:MOST]):
        y, size = n * ROW + 3, min(max(row.share or 0.0, 0.0), 1.0) * room
        odd = " odd" if row.odd else ""
        if row.share is not None:
            parts.append(_text(LABEL - 6, y + 10, _short(row.label, LETTERS), "", "end"))
            parts.append(_rect(f"pole{odd}", LABEL, y, size, 12))
            parts.append(_text(LABEL + size + 5, y + 10, row.told, "strong" if row.odd else ""))
        else:
            parts.append(_text(8, y + 10, _short(f"{row.label} {row.told}".strip(), 50)))
        said.append(f"{row.label} {row.told}".strip())
    return _svg(len(rows[:MOST]) * ROW + 4, said, parts)


def _shares(picture: Shares) -> Markup:
    """Draw one bar, and a legend in two columns unless its words need the whole width."""
    named = [part for part in picture.parts if part[1] >= 0.005][:5]
    columns = 1 if any(len(label) > 22 for label, _ in named) else 2
    x, parts, said = 0.0, [], []
    for n, (label, share) in enumerate(picture.parts):
        size = share * WIDTH
        parts.append(_rect(f"share s{n % 6}", x, 4, size, 18))
        x += size
        said.append(f"{label} {share:.0%}")
    for n, (label, share) in enumerate(named):
        row, column = divmod(n, columns)
        left, top = column * WIDTH / 2, 40 + row * 16
        parts.append(_rect(f"share s{n % 6}", left, top - 9, 10, 10))
        parts.append(_text(left + 15, top, f"{share:.0%} {_short(label, 46)}"))
    rows = -(-len(named) // columns)
    return _svg(34 + rows * 16, said, parts)


def _steps(picture: Steps) -> Markup:
    """The moments below each other, joined to their place on a line of time."""
    moments = picture.moments[:7]
    if not moments:
        return Markup()
    times = [time for time, _ in moments]
    first, last = min(times), max(*times, min(times) + 1e-3)
    height = len(moments) * ROW + 4
    parts = [html('<path class=zero d="M8 4V{}"/>', height - 2)]
    for n, (time, words) in enumerate(moments):
        at = 8 + (time - first) / (last - first) * (height - 18)
        y = n * ROW + 13
        told = f"{time:+.{2 if abs(time) < 10 else 0}f} s".replace("-", "−")
        odd = " odd" if time == 0 else ""
        parts += [
            html('<path class=lead d="M8 {:.1f}L26 {}"/>', at, y - 4),
            html('<circle class="pole{}" cx="8" cy="{:.1f}" r="3.5"/>', odd, at),
            _text(30, y, told, "strong"),
            _text(88, y, _short(words, 36)),
        ]
    return _svg(height + 2, [f"{t:+.2f} s {w}" for t, w in moments], parts)
