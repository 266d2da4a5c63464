"""An answer as a notebook shows it: its line, a small picture, its figures."""

from html import escape
from typing import TYPE_CHECKING

from .picture import Bars, Picture, Shares, Steps

if TYPE_CHECKING:
    from .answer import Answer

MOST = 14
"""Rows of a picture."""


def answer_text(answer: "Answer") -> str:
    """Return an answer in one line."""
    asks = answer.urgency if answer.known else "cannot tell"
    return f"<answer {answer.key!r}, {asks}: {answer.headline or answer.verdict}>"


def answer_html(answer: "Answer") -> str:
    """Return an answer as HTML."""
    asks = answer.urgency if answer.known else "cannot tell"
    rows = "".join(
        f"<tr><td>{escape(f.label)}</td><td>{f.value:.4g} {escape(f.unit)}</td>"
        f"<td>{'' if f.uncertainty is None else f'± {f.uncertainty:.3g}'}</td></tr>"
        for f in answer.figures
    )
    caution = f"<p><small>{escape(answer.caution)}</small></p>" if answer.known else ""
    return (
        f"<div><b>{escape(answer.question)}</b> ({asks})<p>{escape(answer.verdict)}</p>"
        f"{_drawn(answer.picture)}<table>{rows}</table>{caution}</div>"
    )


def _drawn(picture: Picture | None) -> str:
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
            lines = "".join(
                f"<li>{time:+.2f} s {escape(words)}</li>" for time, words in picture.moments[:MOST]
            )
            return f"<ul>{lines}</ul>"
        case _:
            return ""
    return f"<table>{''.join(_bar(*row) for row in rows[:MOST])}</table>"


def _bar(label: str, share: float, told: str, odd: bool) -> str:
    width = 200 * min(max(share, 0.0), 1.0)
    name = f"<b>{escape(label)}</b>" if odd else escape(label)
    return (
        f'<tr><td>{name}</td><td><svg width="200" height="12" aria-hidden="true">'
        f'<rect width="{width:.0f}" height="12" fill="currentColor" opacity="0.6"/></svg></td>'
        f"<td>{escape(told)}</td></tr>"
    )
