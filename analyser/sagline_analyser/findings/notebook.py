"""An answer as a notebook shows it: its line, a small picture, its figures."""

from typing import TYPE_CHECKING

from markupsafe import Markup

from ..markup import html, joined
from .picture import Bars, Picture, Shares, Steps

if TYPE_CHECKING:
    from .answer import Answer

MOST = 14
"""Rows of a picture."""


def answer_text(answer: "Answer") -> str:
    """Return an answer in one line."""
    asks = answer.urgency if answer.known else "cannot tell"
    return f"<answer {answer.key!r}, {asks}: {answer.headline or answer.verdict}>"


def answer_html(answer: "Answer") -> Markup:
    """Return an answer as HTML."""
    asks = answer.urgency if answer.known else "cannot tell"
    rows = joined(
        html(
            "<tr><td>{}</td><td>{:.4g} {}</td><td>{}</td></tr>",
            *(one.label, one.value, one.unit),
            "" if one.uncertainty is None else f"± {one.uncertainty:.3g}",
        )
        for one in answer.figures
    )
    return html(
        "<div><b>{}</b> ({})<p>{}</p>{}<table>{}</table>{}</div>",
        *(answer.question, str(asks), answer.verdict, _drawn(answer.picture), rows),
        html("<p><small>{}</small></p>", answer.caution) if answer.known else "",
    )


def _drawn(picture: Picture | None) -> Markup:
    """Return a picture as rows of a name, a bar and a number."""
    match picture:
        case Bars():
            top = max([*(bar.value for bar in picture.bars), picture.mark or 0.0, 1e-9])
            rows = [
                (bar.label, bar.value / top, f"{bar.value:.4g} {picture.unit}", bar.odd)
                for bar in picture.bars
            ]
            if picture.mark is not None:
                told = f"{picture.mark:.4g} {picture.unit}"
                rows.append((picture.mark_label, picture.mark / top, told, False))
        case Shares():
            rows = [(label, share, f"{share:.0%}", False) for label, share in picture.parts]
        case Steps():
            moments = picture.moments[:MOST]
            lines = joined(html("<li>{:+.2f} s {}</li>", time, words) for time, words in moments)
            return html("<ul>{}</ul>", lines)
        case _:
            return Markup()
    return html("<table>{}</table>", joined(_bar(*row) for row in rows[:MOST]))


def _bar(label: str, share: float, told: str, odd: bool) -> Markup:
    width = 200 * min(max(share, 0.0), 1.0)
    name = html("<b>{}</b>", label) if odd else label
    return html(
        '<tr><td>{}</td><td><svg width="200" height="12" aria-hidden="true">'
        '<rect width="{:.0f}" height="12" fill="currentColor" opacity="0.6"/></svg></td>'
        "<td>{}</td></tr>",
        *(name, width, told),
    )
