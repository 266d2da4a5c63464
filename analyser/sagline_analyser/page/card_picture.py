"""An answer's small picture as SVG: bars against a rating, parts of a whole, steps in time."""

from ..findings.picture import Bars, Picture, Shares, Steps
from .tables import escape
from .units import figure_text

WIDTH = 320
ROW = 18
LABEL = 128
"""px of the bars' labels."""

MOST = 14
"""Bars or steps drawn; more would be a table."""


def draw(picture: Picture | None) -> str:
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
    return ""


def _svg(height: float, words: str, body: str) -> str:
    return (
        f'<svg class=sketch viewBox="0 0 {WIDTH} {height:.0f}" role=img '
        f'aria-label="{escape(words)}">{body}</svg>'
    )


def _text(x: float, y: float, text: str, kind: str = "", anchor: str = "start") -> str:
    of = f' class="{kind}"' if kind else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{of}>{escape(text)}</text>'


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def _top(picture: Bars) -> float:
    ends = [bar.high if bar.high is not None else bar.value for bar in picture.bars]
    return max([*ends, picture.mark or 0.0, 1e-9])


def _bars(picture: Bars) -> str:
    top, room = _top(picture), WIDTH - LABEL - 62
    parts, said = [], []
    for n, bar in enumerate(picture.bars[:MOST]):
        y = n * ROW + 3
        size = max(bar.value, 0.0) / top * room
        odd = " odd" if bar.odd else ""
        value = figure_text(bar.value, picture.unit)
        parts.append(_text(LABEL - 6, y + 10, _short(bar.label, 21), "", "end"))
        parts.append(
            f'<rect class="pole{odd}" x="{LABEL}" y="{y}" width="{size:.1f}" height="12"/>'
        )
        if bar.low is not None and bar.high is not None:
            parts.append(_whisker(LABEL + bar.low / top * room, LABEL + bar.high / top * room, y))
        end = max(size, (bar.high or 0.0) / top * room)
        parts.append(_text(LABEL + end + 5, y + 10, value, "strong" if bar.odd else ""))
        said.append(f"{bar.label} {value}")
    height = len(picture.bars[:MOST]) * ROW + 4
    if picture.mark is not None:
        x = LABEL + picture.mark / top * room
        parts.append(f'<path class=mark d="M{x:.1f} 0V{height}"/>')
        parts.append(_text(x, height + 10, picture.mark_label, "", "middle"))
        height += 14
    return _svg(height, "; ".join(said), "".join(parts))


def _whisker(low: float, high: float, y: float) -> str:
    ends = f"M{low:.1f} {y + 2}v8M{high:.1f} {y + 2}v8"
    return f'<path class=whisker d="M{low:.1f} {y + 6}H{high:.1f}{ends}"/>'


def _columns(picture: Bars) -> str:
    """Many bars stand side by side, each with its own number."""
    top, height = _top(picture), 70.0
    step = (WIDTH - 40) / len(picture.bars)
    parts, said = [], []
    for n, bar in enumerate(picture.bars):
        x, size = 34 + n * step, max(bar.value, 0.0) / top * height
        odd = " odd" if bar.odd else ""
        parts.append(
            f'<rect class="pole{odd}" x="{x:.1f}" y="{14 + height - size:.1f}" '
            f'width="{step * 0.72:.1f}" height="{size:.1f}"/>'
        )
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
        parts.append(f'<path class=mark d="M30 {y:.1f}H{WIDTH - 6}"/>')
        parts.append(_text(28, y + 4, figure_text(picture.mark, picture.unit), "", "end"))
    return _svg(height + 30, "; ".join(said), "".join(parts))


def _shares(picture: Shares) -> str:
    """Draw one bar, and a legend in two columns unless its words need the whole width."""
    named = [part for part in picture.parts if part[1] >= 0.005][:5]
    columns = 1 if any(len(label) > 22 for label, _ in named) else 2
    x, parts, said = 0.0, [], []
    for n, (label, share) in enumerate(picture.parts):
        size = share * WIDTH
        parts.append(
            f'<rect class="share s{n % 6}" x="{x:.1f}" y="4" width="{size:.1f}" height="18"/>'
        )
        x += size
        said.append(f"{label} {share:.0%}")
    for n, (label, share) in enumerate(named):
        row, column = divmod(n, columns)
        left, top = column * WIDTH / 2, 40 + row * 16
        parts.append(
            f'<rect class="share s{n % 6}" x="{left:.1f}" y="{top - 9:.1f}" width="10" '
            f'height="10"/>' + _text(left + 15, top, f"{share:.0%} {_short(label, 46)}")
        )
    rows = -(-len(named) // columns)
    return _svg(34 + rows * 16, "; ".join(said), "".join(parts))


def _steps(picture: Steps) -> str:
    """The moments below each other, joined to their place on a line of time."""
    moments = picture.moments[:7]
    if not moments:
        return ""
    times = [time for time, _ in moments]
    first, last = min(times), max(*times, min(times) + 1e-3)
    height = len(moments) * ROW + 4
    parts = [f'<path class=zero d="M8 4V{height - 2}"/>']
    for n, (time, words) in enumerate(moments):
        at = 8 + (time - first) / (last - first) * (height - 18)
        y = n * ROW + 13
        told = f"{time:+.{2 if abs(time) < 10 else 0}f} s".replace("-", "−")
        odd = " odd" if time == 0 else ""
        parts.append(
            f'<path class=lead d="M8 {at:.1f}L26 {y - 4}"/>'
            f'<circle class="pole{odd}" cx="8" cy="{at:.1f}" r="3.5"/>'
            + _text(30, y, told, "strong")
            + _text(88, y, _short(words, 36))
        )
    return _svg(height + 2, "; ".join(f"{t:+.2f} s {w}" for t, w in moments), "".join(parts))
