"""The comparison at a glance: its runs in the order ridden, and what they say as cards."""

import math
from collections.abc import Mapping

from markupsafe import Markup

from ..findings.telling.answer import Urgency
from ..findings.telling.moment import moment_text
from ..findings.telling.picture import Bar, Bars, Shares
from ..markup import html
from ..page.card_picture import draw
from ..page.cards import card, ordered
from ..page.still_strip import StripMark, draw_strip
from .comparison import Comparison, MeasureRow, RunGroup
from .predict import Prediction
from .verdict import Outcome, measure_text

_ASKS = {
    Outcome.BETTER: Urgency.FINE,
    Outcome.WORSE: Urgency.ACT,
    Outcome.NONE: Urgency.FINE,
    Outcome.UNKNOWN: Urgency.UNKNOWN,
}

GLANCE = (
    "time_to_speed",
    "heat",
    "sag",
    "energy",
    "peak_battery",
    "peak_motor",
    "time_to_half",
)
"""Keys of the measures that the verdict's card shows after the one it rests on: what the setting
gave, what it cost, and by which currents (the rest stands in the table)."""


def judged_row(comparison: Comparison) -> MeasureRow:
    """Return the measure that the verdict rests on, the first one without a verdict."""
    group = comparison.main
    return group.row(comparison.verdict.measure) if comparison.verdict else group.rows[0]


def runs_strip(comparison: Comparison) -> Markup:
    """Return every run in the order ridden, by the measure that the verdict rests on."""
    group, row = comparison.main, judged_row(comparison)
    values = {"A": iter(row.a), "B": iter(row.b)}
    marks = []
    for run in group.runs:
        value = next(values[run.side])
        told = f"{run.side} at {moment_text(run.start)} of log {run.part}: "
        if math.isfinite(value):
            marks.append(StripMark(value, run.side, told + measure_text(value, row.measure.unit)))
    if not marks:
        return Markup()
    low, high = (limit(mark.value for mark in marks) for limit in (min, max))
    unit = row.measure.unit
    label = (
        f"Every run by its {row.measure.label[0].lower()}{row.measure.label[1:]}, "
        f"{measure_text(low, unit)} to {measure_text(high, unit)}"
    )
    return draw_strip(marks, label, ("first run", "last run"), from_zero=False)


def page_cards(
    comparison: Comparison, prediction: Prediction | None, behind: Mapping[str, Markup]
) -> Markup:
    """Return the verdict's card, which always stands open, and the others by urgency.

    ``behind`` is the HTML behind each: "verdict", "conditions", "causes", "prediction".
    """
    made = [_conditions(comparison.main, behind["conditions"])]
    if comparison.main.causes:
        both = comparison.verdict is not None
        made.append(_causes(comparison.main, both, behind["causes"]))
    if prediction:
        asks = Urgency.FINE
        if any(figure.inside is False for figure in prediction.figures):
            asks = Urgency.LOOK
        made.append(
            (asks, card(asks, "prediction", score_text(prediction), Markup(), behind["prediction"]))
        )
    first = _verdict(comparison, behind["verdict"])
    return html(
        "<div class=beside><div class='cards verdicts'>{}</div><div>{}</div></div>",
        *(first, ordered(made)),
    )


def _verdict(comparison: Comparison, behind: Markup) -> Markup:
    verdict = comparison.verdict
    if verdict is None:
        return card(Urgency.UNKNOWN, "verdict", "Only side A was given", Markup(), behind)
    by = judged_row(comparison).measure.label
    by = f"{by[0].lower()}{by[1:]}"
    line = {
        Outcome.NONE: f"No difference that matters, judged by the {by}",
        Outcome.UNKNOWN: f"Cannot tell which is better by the {by}",
    }.get(verdict.outcome, f"B is {verdict.outcome}: {by} {_difference(verdict.text)}")
    picture = draw(_intervals(comparison))
    return card(_ASKS[verdict.outcome], "verdict", line, picture, behind)


def _difference(text: str) -> str:
    """Return "0.21 s less" out of a verdict's sentence."""
    return text.partition(": ")[2].partition(" (")[0]


def _intervals(comparison: Comparison) -> Bars | None:
    """Return the size of each measure's difference in % of A's figure with its interval's ends."""
    keys = dict.fromkeys((judged_row(comparison).measure.key, *GLANCE))
    known = {row.measure.key: row for row in comparison.main.rows}
    bars = []
    for row in [known[key] for key in keys if key in known][:7]:
        by = row.difference
        if by is None or not (math.isfinite(by.low) and math.isfinite(by.high)):
            continue
        whole = abs(row.mean_a) or 1.0
        ends = sorted(abs(x) / whole * 100 for x in (by.low, by.high))
        low = 0.0 if by.low < 0 < by.high else ends[0]
        way = "−" if by.value < 0 else "+"
        size = abs(by.value) / whole * 100
        bars.append(Bar(f"{way} {row.measure.label}", size, low, ends[1], row.clear))
    return Bars("%", tuple(bars)) if bars else None


def _conditions(group: RunGroup, behind: Markup) -> tuple[Urgency, Markup]:
    found = group.confounders
    unlike = [one for one in found if one.real and not one.taken_out]
    bars = tuple(Bar(one.label, 100 * abs(one.effect), odd=one in unlike) for one in found[:7])
    if not found:
        asks, line = Urgency.UNKNOWN, "No second side to compare conditions with"
    elif unlike:
        names = ", ".join(f"{one.label[0].lower()}{one.label[1:]}" for one in unlike[:2])
        asks, line = Urgency.LOOK, f"{len(unlike)} of {len(found)} conditions differed: {names}"
    else:
        asks, line = Urgency.FINE, "Conditions were alike, or are taken out"
    picture = draw(Bars("%", bars)) if bars else Markup()
    return asks, card(asks, "conditions", line, picture, behind)


def _causes(group: RunGroup, both: bool, behind: Markup) -> tuple[Urgency, Markup]:
    first = group.causes[0]
    line = f"{first.cause[0].upper()}{first.cause[1:]} decided {first.a:.0%} of the time on A"
    if both:
        line += f", {first.b:.0%} on B"
    pictures = draw(Shares(tuple((one.cause, one.a) for one in group.causes)))
    if both:
        other = draw(Shares(tuple((one.cause, one.b) for one in group.causes)))
        pictures = html("<p class=side>A</p>{}<p class=side>B</p>{}", pictures, other)
    return Urgency.LOOK, card(Urgency.LOOK, "causes", line, pictures, behind)


def score_text(found: Prediction) -> str:
    """Return how the prediction did, or that it waits for B."""
    scored = [one.inside for one in found.figures if one.inside is not None]
    if not scored:
        return "Made before any ride with it: give B's log as well and it scores itself."
    return (
        f"B's measured mean lies inside the predicted interval for {sum(scored)} of {len(scored)}."
    )
