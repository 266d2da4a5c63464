"""Answers to the builder's questions as HTML."""

from collections.abc import Sequence
from html import escape

from ..findings.answer import Answer, Figure
from .tables import zoom_link
from .units import figure_text

_SPANS = 6  # links to evidence before "and n more"


def answer_list(answers: Sequence[Answer]) -> str:
    """Return every answer: the verdict open, its figures and evidence folded behind it."""
    known = "".join(_known(answer) for answer in answers if answer.known)
    unknown = "".join(
        f"<li>{escape(answer.question)} {escape(answer.verdict)}"
        for answer in answers
        if not answer.known
    )
    rest = f"<h3>Could not be answered</h3><ul class=lacking>{unknown}</ul>" if unknown else ""
    cautions = dict.fromkeys(answer.caution for answer in answers if answer.known)
    caution = "".join(f"<p class=caution>{escape(text)}</p>" for text in cautions)
    return f"{caution}{known}{rest}"


def _known(answer: Answer) -> str:
    rows = "".join(_row(figure) for figure in answer.figures)
    table = (
        "<div class=wide><table class=figures><thead><tr><th>Figure<th>Value<th>90 % interval"
        f"<th>How it was found<tbody>{rows}</table></div>"
        if rows
        else ""
    )
    more = "".join(f"<li>{escape(text)}" for text in answer.details)
    seen = ", ".join(zoom_link(start, end) for start, end in answer.evidence[:_SPANS])
    left = len(answer.evidence) - _SPANS
    also = f" and {left} more" if left > 0 else ""
    evidence = f"<p class=evidence>Seen at {seen}{also}</p>" if seen else ""
    return (
        f"<article class=answer id=answer-{escape(answer.key)}><h3>{escape(answer.question)}</h3>"
        f"<p class=verdict>{escape(answer.verdict)}</p>{evidence}"
        f"<details><summary>Figures and detail</summary>{table}<ul>{more}</ul></details></article>"
    )


def _row(figure: Figure) -> str:
    spread = ""
    if figure.uncertainty is not None:
        spread = f"± {escape(figure_text(figure.uncertainty, figure.unit))}"
    return (
        f"<tr><th scope=row>{escape(figure.label)}"
        f"<td class=n>{escape(figure_text(figure.value, figure.unit))}"
        f"<td class=n>{spread}<td>{escape(figure.how)}"
    )
