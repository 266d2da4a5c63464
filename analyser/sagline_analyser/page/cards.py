"""Answers to the builder's questions as cards: a mark, a line, a small picture, the rest behind."""

from collections.abc import Sequence

from markupsafe import Markup

from ..findings.telling.answer import Answer, Urgency
from ..markup import html, joined
from .card_picture import draw
from .tables import zoom_link
from .templates import part

_OURS = "page/cards.jinja"

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


def cards(answers: Sequence[Answer]) -> Markup:
    """Return the answers by urgency: those that ask for something open, the others in one line."""
    cautions = dict.fromkeys(answer.caution for answer in answers if answer.known)
    caution = joined(html("<p class=caution>{}</p>", text) for text in cautions)
    return ordered([(answer.urgency, _card(answer)) for answer in answers]) + caution


def ordered(made: Sequence[tuple[Urgency, Markup]]) -> Markup:
    """Return cards by urgency: *act* and *look* stand open, the others fold into one line."""
    ranked = sorted(made, key=lambda one: list(Urgency).index(one[0]))
    asking = [made for kind, made in ranked if kind in (Urgency.ACT, Urgency.LOOK)]
    quiet = ranked[len(asking) :]
    counts = {
        kind: sum(one is kind for one, _ in quiet) for kind in (Urgency.FINE, Urgency.UNKNOWN)
    }
    told = [html("{} {} {}", _mark(kind), n, str(kind)) for kind, n in counts.items() if n]
    return part(_OURS, "ordered", asking, [made for _, made in quiet], joined(told, ", "))


def headline(answer: Answer) -> str:
    """Return the card's line: the answer's own, or the beginning of its verdict."""
    if answer.headline:
        return answer.headline
    first = answer.verdict.partition(". ")[0].split()
    return " ".join(first[:WORDS]).rstrip(".,;:") + ("…" if len(first) > WORDS else "")


def _mark(kind: Urgency) -> Markup:
    return html(
        '<svg class="sign-of {}" viewBox="0 0 18 18" width=16 height=16 aria-hidden=true>{}</svg>',
        kind.name.lower(),
        Markup(MARKS[kind]),
    )


def card(
    kind: Urgency, key: str, line: str, picture: Markup, behind: Markup, asked: str = ""
) -> Markup:
    """Return one card: ``line`` and ``asked`` are texts, ``picture`` and ``behind`` HTML.

    What is ``behind`` it opens with "Why"; ``asked`` is the question that it answers.
    """
    return part(_OURS, "card", kind, _mark(kind), key, line, picture, behind, asked)


def _card(answer: Answer) -> Markup:
    seen = [zoom_link(start, end) for start, end in answer.evidence[:_SPANS]]
    behind = part(_OURS, "behind", answer, joined(seen, ", "), len(answer.evidence) - _SPANS)
    kind, picture = answer.urgency, draw(answer.picture)
    return card(kind, answer.key, headline(answer), picture, behind, answer.question)
