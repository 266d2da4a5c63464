"""Better, worse or cannot tell, and how many more repeats would tell."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from ..findings.held_back import BEFORE_RAISING
from ..page.units import duration_text, figure_text
from .confounders import Confounder
from .measures import Measure
from .sides import ORDER
from .statistics import Difference, repeats_for

WORTH = 0.05
"""Share of A's figure that a difference must reach to be worth more repeats (our choice)."""


class Outcome(StrEnum):
    """What the comparison says of B against A."""

    BETTER = "better"
    WORSE = "worse"
    UNKNOWN = "cannot tell"


@dataclass(frozen=True)
class Verdict:
    """``outcome`` of B by the one ``measure`` named before looking; ``text`` says it in full.

    ``more`` is how many more repeats on each side would tell, None where it cannot be said;
    ``advice`` are further sentences.
    """

    outcome: Outcome
    measure: str
    text: str
    more: int | None
    advice: tuple[str, ...]


def judge(
    measure: Measure, mean_a: float, found: Difference, others: Sequence[Confounder],
    ordered: bool,
) -> Verdict:  # fmt: skip
    """Judge by one measure.

    B is better (or worse) where the whole 90 % interval lies on that side of no difference, so of
    equal settings at most one comparison in twenty calls B better; and only if the conditions that
    favoured B could not have made so much of it that no difference is left.
    """
    explained, blamed = 0.0, []
    for one in others:
        pushed = one.effect * abs(mean_a)
        helped = pushed * found.value > 0 if measure.better < 0 else pushed * found.value < 0
        if one.real and helped and abs(one.effect) > 0.002:
            explained += abs(pushed)
            blamed.append(one)
    near = found.low if found.value > 0 else -found.high
    gained = found.value * measure.better > 0
    size, unit = abs(found.value), measure.unit
    span = f"90 % interval {signed_text(found.low, unit)} to {signed_text(found.high, unit)}"
    repeats = f"{found.repeats[0]} on A, {found.repeats[1]} on B"
    goal = f"{measure.label[0].lower()}{measure.label[1:]}"
    advice = () if ordered else (ORDER,)
    if not math.isfinite(near):
        return Verdict(
            Outcome.UNKNOWN, measure.key,
            f"Cannot tell: {repeats} are too few for an interval, the least is 3 on each side.",
            max(0, 3 - min(found.repeats)), (_scatter_words(measure, mean_a, found), *advice),
        )  # fmt: skip
    if near > explained:
        outcome = Outcome.BETTER if gained else Outcome.WORSE
        word = "less" if found.value < 0 else "more"
        despite = ""
        if blamed:
            names = " and ".join(one.label.lower() for one in blamed)
            despite = f" More than {names} could have made of it."
        return Verdict(
            outcome, measure.key,
            f"B is {outcome}, judged by the {goal}: {measure_text(size, unit)} {word} "
            f"({size / abs(mean_a):.0%}; {span}; {repeats}).{despite}",
            0, ((BEFORE_RAISING,) if outcome is Outcome.BETTER else ()) + advice,
        )  # fmt: skip
    if near > 0:
        names = " and ".join(one.label.lower() for one in blamed)
        return Verdict(
            Outcome.UNKNOWN, measure.key,
            f"Cannot tell: by the {goal} B is {signed_text(found.value, unit)} ({span}), but "
            f"{names} favoured it and could make {measure_text(explained, unit)} of that alone.",
            None, ("More repeats under the same conditions do not help: ride again with that "
                   "alike on both sides.", *advice),
        )  # fmt: skip
    needed = repeats_for(size, found.scatter)
    more = None if needed is None else max(1, needed - min(found.repeats))
    if size < WORTH * abs(mean_a):
        least = repeats_for(WORTH * abs(mean_a), found.scatter)
        bound = max(abs(found.low), abs(found.high)) / abs(mean_a)
        advice = (
            f"The 90 % interval leaves no difference above {bound:.1%} of A's figure."
            + (f" To show one of {WORTH:.0%}, {least} on each side would do." if least else ""),
            *advice,
        )
    ask = (
        f" About {more} more on each side would tell, if the difference is really that large."
        if more is not None and more <= 200
        else " No reasonable number of repeats would show a difference that small."
    )
    return Verdict(
        Outcome.UNKNOWN, measure.key,
        f"Cannot tell: by the {goal} B is {signed_text(found.value, unit)} ({span}; {repeats}), "
        f"which chance makes as well.{ask}",
        more, advice,
    )  # fmt: skip


def signed_text(value: float, unit: str) -> str:
    """Return a difference with its sign: ``+0.42 s``, ``−3.1 A``."""
    if not math.isfinite(value):
        return "−∞" if value < 0 else "+∞"
    return ("−" if value < 0 else "+") + measure_text(abs(value), unit)


def measure_text(value: float, unit: str) -> str:
    """Return a measure's value, finely enough to tell two of them apart."""
    if unit == "s":
        return duration_text(value)
    if unit == "m":
        return f"{value:.2f}\u202fm"
    return (
        f"{value:.{3 if value < 10 else 1}f}\u202fWh" if unit == "Wh" else figure_text(value, unit)
    )


def _scatter_words(measure: Measure, mean_a: float, found: Difference) -> str:
    needed = repeats_for(WORTH * abs(mean_a), found.scatter)
    if needed is None:
        return "One launch on each side shows nothing of the scatter between launches."
    return (
        f"At the scatter seen, {needed} on each side would show a difference of {WORTH:.0%} "
        f"({measure_text(WORTH * abs(mean_a), measure.unit)})."
    )
