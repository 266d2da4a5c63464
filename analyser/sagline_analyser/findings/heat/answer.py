"""The answer to how long the rated current may flow, in words and figures."""

from dataclasses import dataclass

import numpy as np

from sagline_logger.format import vocabulary

from ..limits.crossings import Crossing, find_crossings
from ..readings.gathered import Gathered
from ..readings.summary import words
from ..readings.unknown import NotKnown
from ..telling.answer import Answer, Figure, Urgency
from ..telling.certainty import cannot_tell
from ..telling.moment import minute_text
from ..telling.picture import Bar, Bars
from .parts import HARD, PartHeat, long, part_heats
from .times import HORIZON, Settling, TimeToLimit

KEY, QUESTION = "heat", "How long until something is too hot?"

HOTTEST = 300.0
"""°C above which a figure means nothing: no winding lasts there (thermal classes, IEC 60085, end at
250 °C; from memory)."""

COMMON = "how much hotter the winding is, is what motors of many kinds have in common"

SPOT = (
    "the winding's hottest spot may be some 10 K hotter than its sensor (as much as IEC 60034-1 "
    "allows for it), which the limit has to leave room for"
)
"""What a sensor in the winding does not show; the standard from memory."""


TIMES = "time from cold to the limit, at"
"""What the bars of the card show; the current follows (:func:`_load`)."""


def heat_answer(it: Gathered) -> Answer:
    """Answer how long the rated current may flow, part by part, the soonest first."""
    parts = part_heats(it)
    if not parts:
        lacks = "it needs motor_temperature or controller_temperature"
        return Answer.unanswered(KEY, QUESTION, NotKnown(lacks))
    told = sorted((p for p in parts if not p.reason), key=_soonest)
    others = [p for p in parts if p.reason]
    hot = _was_too_hot(it)
    details = tuple(_words(p) for p in (*told, *others))
    if not told:
        reasons = list(dict.fromkeys(p.reason for p in others))
        why = cannot_tell(reasons[0])
        if len(reasons) > 1:
            why = (
                "Cannot tell how long: this ride shows it closely enough of no part; the details "
                "say of each what is lacking."
            )
        why = " ".join([why, *_if_in_winding(others)])
        if not hot:
            return Answer(KEY, QUESTION, why, details=details, urgency=Urgency.UNKNOWN)
        verdict = " ".join([*(one.text for one in hot), why])
        answer = Answer(KEY, QUESTION, verdict, (), hot[0].spans, details)
        bars = tuple(Bar(one.part, one.most, odd=True) for one in hot)
        return answer.in_short(hot[0].line, Urgency.ACT, Bars("°C", bars, hot[0].level, "limit"))
    evidence = tuple(dict.fromkeys(span for p in told for span in p.evidence))
    figures = tuple(figure for p in told for figure in _figures(p))
    verdict = " ".join([*_firsts(told, len(others)), *_left_out(others), *_if_in_winding(others)])
    if hot:  # what was is told before what would be
        verdict = " ".join([*(one.text for one in hot), verdict])
        evidence = tuple(dict.fromkeys((*hot[0].spans, *evidence)))
    answer = Answer(KEY, QUESTION, verdict, figures, evidence, details)
    line, urgency, picture = _in_short(told, others)
    return answer.in_short(*((hot[0].line, Urgency.ACT) if hot else (line, urgency)), picture)


@dataclass(frozen=True)
class TooHot:
    """A part that was above its temperature limit: in a sentence, in a line, and when (s)."""

    text: str
    line: str
    spans: tuple[tuple[float, float], ...]
    part: str
    level: float
    """°C of its limit."""
    most: float
    """°C at most."""


def _was_too_hot(it: Gathered) -> list[TooHot]:
    """Say of each part that passed its temperature limit when, for how long and how far, the one
    that went furthest first."""
    limits = [
        limit
        for limit in it.limits
        if limit.kind == "limit" and vocabulary()[limit.channel].group == "temperature"
    ]
    groups: dict[tuple[str, float], list[Crossing]] = {}
    for one in find_crossings(it.ride, limits):
        groups.setdefault((one.where, one.threshold.level), []).append(one)
    hot = []
    for (key, level), found in groups.items():
        first = found[0].span
        since = minute_text(first.start)
        lasted = long(sum(one.span.duration for one in found))
        times = f" ({len(found)} times)" if len(found) > 1 else ""
        most = max(one.span.peak for one in found)
        name = words(it.ride, key)
        line = f"{_capital(name)} was above {level:g} °C for {lasted}"
        text = f"{line}{times}, first at {since}, at most {most:.1f} °C."
        spans = tuple((one.span.start, one.span.end) for one in found)
        hot.append(TooHot(text, f"{line}, from {since}", spans, name, level, most))
    return sorted(hot, key=lambda one: one.level - one.most)


def _in_short(told: list[PartHeat], others: list[PartHeat]) -> tuple[str, Urgency, Bars | None]:
    """Return the card's line, its urgency, and the times from cold with their intervals."""
    first = min(told, key=lambda p: _soonest(p)[::-1])
    bars = tuple(
        Bar(p.part, p.cold.seconds, p.cold.low, p.cold.high, p is first)
        for p in told
        if p.cold is not None and not p.cold.below and np.isfinite(p.cold.high)
    )
    now = min(p.now.order for p in told if p.now is not None)
    assert first.cold is not None
    if first.cold.below and not np.isfinite(now):
        line = f"What was judged stays below its limit for an hour at {_load(told)}"
        return line, Urgency.LOOK if others else Urgency.FINE, None
    if first.cold.below and now < HORIZON:
        return "Near its limit at the ride's end", Urgency.LOOK, None
    if first.cold.below:
        return "From the ride's end its limit within an hour is not ruled out", Urgency.LOOK, None
    line = f"{_capital(first.part)} first: {first.limit:g} °C {_within(first.cold)} from cold"
    return (
        line,
        Urgency.ACT if now == 0 else Urgency.LOOK,
        Bars("s", bars, what=f"{TIMES} {_load(told)}") if bars else None,
    )


def _load(told: list[PartHeat]) -> str:
    """Return which current the parts were judged by, for a line or a caption."""
    sources = {p.current_source for p in told}
    if HARD not in sources:
        return "the rated current"
    return (
        "the current of its hardest minute" if sources == {HARD} else "the currents in the details"
    )


def _within(time: TimeToLimit) -> str:
    if not time.sure:
        return f"not before {long(time.seconds)}" if time.seconds > 0 else "not ruled out"
    return f"after {long(time.seconds)} or more" if time.seconds > 0 else "perhaps at once"


def _soonest(part: PartHeat) -> tuple[float, float]:
    assert part.now is not None and part.cold is not None
    return part.now.order, part.cold.order


def _firsts(told: list[PartHeat], others: int) -> list[str]:
    """Return the sentences about the part that is first from cold and from the ride's end."""
    now = told[0]
    cold = min(told, key=lambda p: _soonest(p)[::-1])
    assert now.now is not None and cold.cold is not None
    if cold.cold.below and now.now.below:
        names = _list([p.part for p in told])
        whole = "No part reaches its limit" if not others else f"{_capital(names)} stays below"
        whole += " within an hour" if not others else " its limit for an hour"
        currents = _list(list(dict.fromkeys(f"{p.current:.3g} A" for p in told)))
        pace = " and at the speed" if all(p.speed_known for p in told) else ""
        return [f"{whole} at {currents}, in the air{pace} of this ride."]
    if now is cold:
        return [
            f"{_capital(now.part)} is first: at {now.current:.3g} A 19 in 20 such parts stay below "
            f"{now.limit:g} °C for {_span(cold.cold)} from cold, and {_after(now.now)}."
        ]
    return [
        f"From cold, {cold.part} is first: at {cold.current:.3g} A 19 in 20 such parts stay below "
        f"{cold.limit:g} °C for {_span(cold.cold)}.",
        f"From the end of this ride, {now.part} is: at {now.current:.3g} A and {now.limit:g} °C, "
        f"{_after(now.now)}.",
    ]


def _after(time: TimeToLimit) -> str:
    """Return the time from the end of the ride, to follow a limit."""
    if time.high == 0:
        return "at the end of this ride it is there already"
    if time.seconds == 0 and time.sure:
        return f"from the end of this ride perhaps not at all (up to {long(time.high)})"
    return f"for {_span(time)} from the end of this ride"


def _left_out(others: list[PartHeat]) -> list[str]:
    if not others:
        return []
    return [f"Not judged: {_list([p.part for p in others])}."]


def _if_in_winding(others: list[PartHeat]) -> list[str]:
    """Return the sentence on the motor that is first if the sensors nobody has placed sit in the
    windings."""
    some = sorted((p for p in others if p.condition), key=_soonest)
    if not some:
        return []
    first = some[0]
    assert first.cold is not None and first.now is not None
    return [
        f"If its sensor sits in the winding, {first.part} at {first.current:.3g} A stays below "
        f"{first.limit:g} °C, as 19 in 20 such parts do, for {_span(first.cold)} from cold, and "
        f"{_after(first.now)}; if it sits on the case, the winding is there sooner."
    ]


def _figures(part: PartHeat) -> list[Figure]:
    found = []
    for name, time in (("from cold", part.cold), ("from the end of the ride", part.now)):
        if time is None or time.below:
            continue
        how = (
            f"heat model fitted to the ride; air {part.air:.0f} °C ({part.air_source}), "
            f"{_pace(part)}; current: {part.current_source}"
        )
        label = f"{part.part} to {part.limit:g} °C at {part.current:.3g} A, {name}"
        worth = "19 in 20 such parts take longer" if time.sure else "the soonest not ruled out"
        found.append(Figure(f"{label}: {worth}", time.seconds, "s", None, how))
        if np.isfinite(time.high) and time.high > 0:
            middle, half = (time.high + time.low) / 2, (time.high - time.low) / 2
            found.append(Figure(f"{label}: middle of the interval", middle, "s", half, how))
    return found


def _words(part: PartHeat) -> str:
    name = _capital(part.part)
    if part.condition:
        return f"{name}: {part.reason}; if it sits in the winding, {_told(part)}."
    if part.reason or part.cold is None or part.now is None:
        asks = f"; {_on_case(part)}{COMMON}" if part.on_case is not None else ""
        return f"{name}: no time to the limit, because {part.reason}{asks}."
    return f"{name}: {_told(part)}."


def _told(part: PartHeat) -> str:
    """Return the times of a part that has them, and what they rest on."""
    model, cold, now, settles = part.model, part.cold, part.now, part.settles
    assert model is not None and cold is not None and now is not None and settles is not None
    where = f"in air of {part.air:.0f} °C ({part.air_source}) at {_pace(part)}"
    tail = f"the model misses the readings by {model.residual:.1f} K"
    if part.motor:
        tail += f"; {SPOT}"
    if model.leans:
        tail += (
            "; the ride was too short to show all of its cooling, and what it did not show is "
            "what such parts have in common"
        )
    current = f"{part.current:.3g} A ({part.current_source})"
    warmth = f"{_degrees(settles)} in an hour from cold"
    if cold.below and now.below:
        return f"{current} brings it to {warmth} {where}, below its {part.limit:g} °C; {tail}"
    return (
        f"with {current} 19 in 20 such parts stay below {part.limit:g} °C for {_span(cold)} from "
        f"cold, and {_after(now)}, {where}; {warmth}; {tail}"
    )


def _on_case(part: PartHeat) -> str:
    """Return what the sensor on the case will show at the current, to go before a sentence."""
    found = part.on_case
    if found is None:
        return ""
    return (
        f"with {part.current:.3g} A its sensor would show {_degrees(found.case)} in an hour from "
        f"cold, and the winding would then be hotter than that by at least {found.hotter:.0f} K in "
        "19 of 20 such motors; "
    )


def _degrees(end: Settling) -> str:
    """Return a temperature with its interval, as far as it can mean anything."""
    if end.low >= HOTTEST:
        return f"more than {HOTTEST:.0f} °C"
    if end.high >= HOTTEST:
        return f"{end.low:.0f} °C or more, and perhaps more than {HOTTEST:.0f} °C,"
    return f"about {end.likely:.0f} °C ({end.low:.0f} to {end.high:.0f} °C)"


def _span(time: TimeToLimit) -> str:
    """Return the told time with where the interval ends."""
    if time.below:
        return "an hour and more"
    if not time.sure:
        if time.seconds == 0:
            return "no time that this ride shows, though most likely for an hour,"
        return f"{long(time.seconds)} at least, and most likely for an hour,"
    likely, low, high = long(time.likely), long(time.low), long(time.high)
    return f"{long(time.seconds)} (likely {likely}; 9 in 10 take {low} to {high})"


def _pace(part: PartHeat) -> str:
    """Return the speed that the times hold for; a ride without one never stands at 0 km/h."""
    return f"{3.6 * part.speed:.0f} km/h" if part.speed_known else "this ride's unknown speed"


def _list(parts: list[str], last: str = "and") -> str:
    return f" {last} ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
