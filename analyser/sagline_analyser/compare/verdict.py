"""Better, worse or cannot tell, and how many more repeats would tell."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from ..findings.drive.held_back import BEFORE_RAISING
from ..findings.telling.certainty import CANNOT_TELL
from ..page.units import duration_text, figure_text
from .confounders import Confounder
from .measures import Measure
from .sides import ORDER
from .statistics import FEWEST, SURE, Difference, smallest, stretches_for

MATTERS = 0.02
"""Smallest difference that matters, as a share of A's figure, unless another is asked for: less is
no more than a tyre's pressure makes from one day to the next (our choice)."""


ALIKE = (
    "More repeats under the same conditions do not help: ride again with that alike on both sides."
)


class Outcome(StrEnum):
    """What the comparison says of B against A."""

    BETTER = "better"
    WORSE = "worse"
    NONE = "no difference that matters"
    UNKNOWN = CANNOT_TELL


@dataclass(frozen=True)
class Judgement:
    """``outcome`` of B by the one ``measure`` named before looking; ``text`` says it in full.

    ``more`` is how many more stretches on each side would tell, None where it cannot be said;
    ``finds`` is the smallest true difference, as a share of A's figure, that rides such as these
    find four times in five; ``advice`` are further sentences.
    """

    outcome: Outcome
    measure: str
    text: str
    more: int | None
    advice: tuple[str, ...]
    finds: float | None = None


def judge(
    measure: Measure,
    mean_a: float,
    found: Difference,
    others: Sequence[Confounder],
    ordered: bool,
    matters: float = MATTERS,
    by_currents: bool = False,
) -> Judgement:
    """Judge by one measure.

    There is no difference that matters where the whole 90 % interval is within ``matters`` of A's
    figure and nothing that was not alike could have hidden one; where something could, the log
    cannot tell, and so little is never called better.  B is better (or worse) where
    chance would show so much in at most one of twenty comparisons of equal settings, and only if
    the conditions that favoured it could not have made so much of it that no difference is left.
    ``by_currents`` says that load, wind and slope are taken out already.
    """
    blamed = [one for one in _doubts(others) if _pushed(one, measure, mean_a) * found.value > 0]
    hidden = [one for one in _doubts(others) if _pushed(one, measure, mean_a) * found.value < 0]
    explained, masked = (
        sum(abs(_pushed(one, measure, mean_a)) * _reach(one) for one in some)
        for some in (blamed, hidden)
    )
    near = found.low if found.value > 0 else -found.high
    size, unit, whole = abs(found.value), measure.unit, abs(mean_a) or 1.0
    span = f"90 % interval {signed_text(found.low, unit)} to {signed_text(found.high, unit)}"
    repeats = _repeats(found)
    goal = f"{measure.label[0].lower()}{measure.label[1:]}"
    finds = smallest(found.error, found.free) / whole if math.isfinite(found.error) else None
    advice = (*_basis(found, finds, by_currents), *(() if ordered else (ORDER,)))

    def verdict(outcome: Outcome, text: str, more: int | None, *first: str) -> Judgement:
        return Judgement(outcome, measure.key, text, more, (*first, *advice), finds)

    if not math.isfinite(near):
        return verdict(
            Outcome.UNKNOWN,
            f"Cannot tell: {repeats} are too few for an interval, the least is {FEWEST} on each "
            "side.",
            max(0, FEWEST - min(found.repeats)),
        )
    furthest = max(abs(found.low), abs(found.high))
    little = furthest <= matters * whole
    if little and masked > matters * whole:
        return verdict(
            Outcome.UNKNOWN,
            f"Cannot tell: by the {goal} B is {signed_text(found.value, unit)} ({span}; "
            f"{repeats}), too little to matter, but {_names(hidden)} pushed the other way and "
            f"could have hidden {measure_text(masked, unit)}.",
            None,
            *(_evidence(one) for one in hidden),
            ALIKE,
        )
    if little:
        return verdict(
            Outcome.NONE,
            f"No difference that matters: by the {goal} B is {signed_text(found.value, unit)} "
            f"({span}; {repeats}), all of it within {matters:.1%} of A's figure, "
            f"{measure_text(matters * whole, unit)}.",
            0,
        )
    if found.p <= SURE and near > explained:
        outcome = Outcome.BETTER if found.value * measure.better > 0 else Outcome.WORSE
        word = "less" if found.value < 0 else "more"
        despite = f" More than {_names(blamed)} could have made of it." if blamed else ""
        return verdict(
            outcome,
            f"B is {outcome}, judged by the {goal}: {measure_text(size, unit)} {word} "
            f"({size / whole:.0%}; {span}; {repeats}).{despite}",
            0,
            *((BEFORE_RAISING,) if outcome is Outcome.BETTER else ()),
        )
    if found.p <= SURE:
        better = found.value * measure.better > 0
        did = "favoured B" if better else "worked against B"
        return verdict(
            Outcome.UNKNOWN,
            f"Cannot tell: by the {goal} B is {signed_text(found.value, unit)} ({span}), but "
            f"{_names(blamed)} {did} and could make {measure_text(explained, unit)} of that alone.",
            None,
            *(_evidence(one) for one in blamed),
            ALIKE,
        )
    wanted = max(size, matters * whole)
    needed = stretches_for(wanted, found.spread)
    more = None if needed is None else max(1, needed - min(found.stretches))
    ask = (
        f" About {more} more such stretch{'es' * (more > 1)} on each side would show a difference "
        f"of {wanted / whole:.0%} four times in five."
        if more is not None and more <= 20
        else " No reasonable number of repeats would show a difference that small."
    )
    return verdict(
        Outcome.UNKNOWN,
        f"Cannot tell: by the {goal} B is {signed_text(found.value, unit)} ({span}; {repeats}), "
        f"which chance makes as well.{ask}",
        more,
        f"The 90 % interval leaves no difference above {furthest / whole:.1%} of A's figure.",
    )


def _doubts(others: Sequence[Confounder]) -> list[Confounder]:
    return [o for o in others if o.real and not o.taken_out and abs(o.effect) > 0.002]


def _pushed(one: Confounder, measure: Measure, mean_a: float) -> float:
    """Return what a condition could make of the measure: its effect is on a time, where less is
    better, so it turns round for a measure of which more is better."""
    return one.effect * abs(mean_a) * -measure.better


def _reach(one: Confounder) -> float:
    """Return how many times its effect a condition could have made, by its own interval."""
    by = one.difference
    return 1 + (by.high - by.value) / abs(by.value) if by.value else 1.0


def _names(some: Sequence[Confounder]) -> str:
    return " and ".join(one.label[0].lower() + one.label[1:] for one in some)


def _evidence(one: Confounder) -> str:
    """Say what was measured behind a doubt, stretch by stretch."""
    digits = 3 if one.unit == "m/s²" else 2 if one.unit == "V" else 1
    scale, unit = (100.0, "%") if one.unit == "1" else (1.0, one.unit)
    means = ", ".join(
        f"{side} {scale * value:.{digits}f}" for side, _, value in one.stretches
    ).replace("-", "−")
    return f"{one.label}: {means}\u202f{unit} in the stretches; {one.how}."


def _repeats(found: Difference) -> str:
    a, b = found.repeats
    if found.stretches == (1, 1):
        return f"{a} on A, {b} on B"
    return f"{a} in {found.stretches[0]} stretches on A, {b} in {found.stretches[1]} on B"


def _basis(found: Difference, finds: float | None, by_currents: bool) -> tuple[str, ...]:
    lines = []
    if found.typical and math.isfinite(found.error):
        lines.append(
            "With so few stretches nothing shows how much rides of one setting differ; the "
            "interval rests on how much they typically do. Ride A, B, B, A to have it measured."
        )
    if by_currents:
        lines.append(
            "Load, wind and slope are taken out: the figure is what the measured motor currents "
            "make of the launch in one mean vehicle, corrected by the times as far as the "
            "stretches agree."
        )
    if finds is not None and math.isfinite(finds):
        lines.append(
            f"Rides such as these find a difference of {finds:.1%} four times in five "
            f"({sum(found.stretches)} stretches, {found.free:.3g} degrees of freedom)."
        )
    return tuple(lines)


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
