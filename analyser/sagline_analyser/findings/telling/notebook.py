"""An answer as a notebook shows it: its line, a small picture, its figures."""

from typing import TYPE_CHECKING

from markupsafe import Markup

from ...markup import html, joined
from .picture import Picture, Row

if TYPE_CHECKING:
    from .answer import Answer

MOST = 14
"""Rows of a picture."""


def answer_text(answer: "Answer") -> str:
    """Return an answer in one line."""
    return f"<answer {answer.key!r}, {answer.urgency}: {answer.headline or answer.verdict}>"


def answer_html(answer: "Answer") -> Markup:
    """Return an answer as HTML."""
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
        *(answer.question, str(answer.urgency), answer.verdict, _drawn(answer.picture), rows),
        html("<p><small>{}</small></p>", answer.caution) if answer.known else "",
    )


def _drawn(picture: Picture | None) -> Markup:
    """Return a picture as rows of a name, a bar and a number, or as a list where it has no bars."""
    if picture is None:
        return Markup()
    rows = picture.rows[:MOST]
    if all(row.share is None for row in rows):
        return html("<ul>{}</ul>", joined(html("<li>{}</li>", row.label) for row in rows))
    return html("<table>{}</table>", joined(map(_bar, rows)))


def _bar(row: Row) -> Markup:
    width = 200 * min(max(row.share or 0.0, 0.0), 1.0)
    name = html("<b>{}</b>", row.label) if row.odd else row.label
    return html(
        '<tr><td>{}</td><td><svg width="200" height="12" aria-hidden="true">'
        '<rect width="{:.0f}" height="12" fill="currentColor" opacity="0.6"/></svg></td>'
        "<td>{}</td></tr>",
        name,
        width,
        row.told,
    )
