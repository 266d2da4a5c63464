"""Answers to the builder's questions as cards: a mark, a line, a small picture, the rest behind."""

from collections.abc import Sequence
from html import escape

from ..findings.answer import Answer, Figure, Urgency
from .card_picture import draw
from .tables import zoom_link
from .units import figure_text

_SPANS = 6  # links to evidence before "and n more"

WORDS = 14
"""Words of a card's line."""

MARKS = {
    Urgency.ACT: '<path d="M9 1 17 9 9 17 1 9Z"/>',
    Urgency.LOOK: '<path fill-rule=evenodd d="M9 2A7 7 0 1 1 9 16 7 7 0 1 1 9 2M9 6A3 3 0 1 0 9 12 '
    '3 3 0 1 0 9 6"/>',
    Urgency.FINE: '<path d="M1 9.5 4 6.5 7 9.5 14 2.5 17 5.5 7 15.5Z"/>',
    Urgency.UNKNOWN: '<path d="M3 3H7V6H6V12H7V15H3ZM15 3H11V6H12V12H11V15H15Z"/>',
}
"""Each urgency's own shape, in a square of 18."""


def cards(answers: Sequence[Answer]) -> str:
    """Return the answers by urgency: those that ask for something open, the others in one line."""
    cautions = dict.fromkeys(answer.caution for answer in answers if answer.known)
    caution = "".join(f"<p class=caution>{escape(text)}</p>" for text in cautions)
    return f"{ordered([(urgency(answer), _card(answer)) for answer in answers])}{caution}"


def ordered(made: Sequence[tuple[Urgency, str]]) -> str:
    """Return cards by urgency: *act* and *look* stand open, the others fold into one line."""
    ranked = sorted(made, key=lambda one: list(Urgency).index(one[0]))
    asking = [one for one in ranked if one[0] in (Urgency.ACT, Urgency.LOOK)]
    shown = "".join(html for _, html in asking)
    return f"<div class=cards>{shown}</div>{_rest(ranked[len(asking) :])}"


def urgency(answer: Answer) -> Urgency:
    """Return what an answer asks for; one that is not known asks for nothing."""
    return answer.urgency if answer.known else Urgency.UNKNOWN


def headline(answer: Answer) -> str:
    """Return the card's line: the answer's own, or the beginning of its verdict."""
    if answer.headline:
        return answer.headline
    first = answer.verdict.partition(". ")[0].split()
    return " ".join(first[:WORDS]).rstrip(".,;:") + ("…" if len(first) > WORDS else "")


def _rest(quiet: Sequence[tuple[Urgency, str]]) -> str:
    """Return the cards that ask for nothing, folded into one line that counts them."""
    if not quiet:
        return ""
    counts = {
        kind: sum(one is kind for one, _ in quiet) for kind in (Urgency.FINE, Urgency.UNKNOWN)
    }
    words = ", ".join(f"{_mark(kind)} {n} {kind}" for kind, n in counts.items() if n)
    return (
        f"<details class=rest><summary>{words}</summary>"
        f"<div class=cards>{''.join(html for _, html in quiet)}</div></details>"
    )


def _mark(kind: Urgency) -> str:
    return (
        f'<svg class="sign-of {kind.name.lower()}" viewBox="0 0 18 18" width=16 height=16 '
        f"aria-hidden=true>{MARKS[kind]}</svg>"
    )


def card(kind: Urgency, key: str, line: str, picture: str, behind: str, asked: str = "") -> str:
    """Return one card: ``line`` and ``asked`` are texts, ``picture`` and ``behind`` HTML.

    What is ``behind`` it opens with "Why"; ``asked`` is the question that it answers.
    """
    question = f"<p class=asked>{escape(asked)}</p>" if asked else ""
    why = f"<details class=why><summary>Why</summary>{question}{behind}</details>" if behind else ""
    return (
        f'<article class="card {kind.name.lower()}" id=answer-{escape(key)}>'
        f"<h3>{_mark(kind)} <span class=urgency>{kind}</span> {escape(line)}</h3>"
        f"{picture}{why}</article>"
    )


def _card(answer: Answer) -> str:
    rows = "".join(_row(figure) for figure in answer.figures)
    table = (
        "<div class=wide tabindex=0>"
        "<table class=figures><thead><tr><th>Figure<th>Value<th>90 % interval"
        f"<th>How it was found<tbody>{rows}</table></div>"
        if rows
        else ""
    )
    more = "".join(f"<li>{escape(text)}" for text in answer.details)
    seen = ", ".join(zoom_link(start, end) for start, end in answer.evidence[:_SPANS])
    left = len(answer.evidence) - _SPANS
    also = f" and {left} more" if left > 0 else ""
    evidence = f"<p class=evidence>Seen at {seen}{also}</p>" if seen else ""
    told = f"<ul>{more}</ul>" if more else ""
    behind = f"<p class=verdict>{escape(answer.verdict)}</p>{told}{evidence}{table}"
    kind, picture = urgency(answer), draw(answer.picture)
    return card(kind, answer.key, headline(answer), picture, behind, answer.question)


def _row(figure: Figure) -> str:
    spread = ""
    if figure.uncertainty is not None:
        spread = f"± {escape(figure_text(figure.uncertainty, figure.unit))}"
    return (
        f"<tr><th scope=row>{escape(figure.label)}"
        f"<td class=n>{escape(figure_text(figure.value, figure.unit))}"
        f"<td class=n>{spread}<td>{escape(figure.how)}"
    )
