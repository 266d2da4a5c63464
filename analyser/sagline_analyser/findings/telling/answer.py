"""An answer to one of the builder's questions: the shape that the page and ``--json`` show."""

from dataclasses import dataclass, replace
from enum import StrEnum

from sagline_logger.format.caution import CAUTION

from ..readings.unknown import NotKnown
from .certainty import CANNOT_TELL, cannot_tell
from .notebook import answer_html, answer_text
from .picture import Picture


class Urgency(StrEnum):
    """What an answer asks of the rider."""

    ACT = "act"
    LOOK = "look"
    FINE = "fine"
    UNKNOWN = CANNOT_TELL


@dataclass(frozen=True)
class Figure:
    """One number of an answer: ``value`` in ``unit`` with the half-width of its 90 % interval.

    ``uncertainty`` is None where it is not known; ``how`` says how the value was found.
    """

    label: str
    value: float
    unit: str
    uncertainty: float | None = None
    how: str = ""


@dataclass(frozen=True, repr=False)
class Answer:
    """What the ride says about one question.

    ``verdict`` is one or two plain sentences.  ``evidence`` lists the time spans used, as
    (start, end) in s from the start of the capture.  Where nothing can be said, ``figures`` is
    empty, ``urgency`` says so and ``verdict`` gives the reason and what it would need.
    """

    key: str
    question: str
    verdict: str
    figures: tuple[Figure, ...] = ()
    evidence: tuple[tuple[float, float], ...] = ()
    details: tuple[str, ...] = ()
    """Further sentences, most important first."""
    caution: str = CAUTION
    headline: str = ""
    """The answer in at most fourteen words."""
    urgency: Urgency = Urgency.LOOK
    picture: Picture | None = None

    @property
    def known(self) -> bool:
        """Whether the ride answers the question."""
        return self.urgency is not Urgency.UNKNOWN

    def __repr__(self) -> str:
        return answer_text(self)

    def _repr_html_(self) -> str:
        return str(answer_html(self))

    @classmethod
    def unanswered(
        cls,
        key: str,
        question: str,
        why: NotKnown,
        figures: tuple[Figure, ...] = (),
        details: tuple[str, ...] = (),
    ) -> "Answer":
        """Return the answer to a question that the ride does not tell, with what it needs."""
        verdict = cannot_tell(why.reason)
        return cls(key, question, verdict, figures, details=details, urgency=Urgency.UNKNOWN)

    def in_short(
        self, headline: str, urgency: Urgency = Urgency.LOOK, picture: Picture | None = None
    ) -> "Answer":
        """Return the same answer with its line, what it asks of the rider, and its picture."""
        return replace(self, headline=headline, urgency=urgency, picture=picture)
