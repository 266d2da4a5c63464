"""Energy per kilometre, over the whole ride and by speed, and what braking gave back."""

from dataclasses import dataclass

import numpy as np

from ..readings.chance import student
from ..readings.course import SPAN, find_heights, slope_at, travelled
from ..readings.coverage import ALL, ENOUGH, Coverage, coverage, ride_time
from ..readings.gathered import Gathered
from ..readings.once import once
from ..readings.series import (
    Array,
    Series,
    column,
    integral,
    integral_above_zero,
    interpolate,
    product,
    steps,
)
from ..readings.unknown import NotKnown
from ..telling.answer import Answer, Figure, Urgency
from ..telling.picture import Bar, Bars

EDGES = (0.0, 10.0, 20.0, 30.0, 45.0)
"""km/h at which the bands begin (our choice)."""

LEAST = 0.1
"""km below which a figure per kilometre would say nothing."""

GRADES = ((-1.0, -0.02, "downhill"), (-0.02, 0.02, "level"), (0.02, 1.0, "uphill"))
"""Slopes from and to, and the word for them (our choice: 2 % is plainly felt)."""

PIECES = 20
QUESTION = "How much energy does a kilometre take?"


@dataclass(frozen=True)
class Rate:
    """``per_km`` in Wh/km over ``distance`` km with the half-width of its 90 % interval, from
    leaving out one piece of the ride after another (delete-a-group jackknife); None where the ride
    is too short to tell."""

    label: str
    per_km: float
    error: float | None
    distance: float
    time: float


@dataclass(frozen=True)
class Consumption:
    """Net energy per distance over the ride and by speed; Wh drawn from the pack and returned."""

    whole: Rate
    bands: tuple[Rate, ...]
    drawn: float
    returned: float
    how: str
    covered: Coverage
    """For how much of the ride current, voltage and speed are all known."""
    flow: Coverage
    """For how much of it the power is, of which ``drawn`` and ``returned`` are."""
    grades: tuple[Rate, ...] = ()
    """By the slope of the road; empty where no altitude was recorded."""
    climbed: tuple[float, float] | None = None
    """m up and m down in all, None where no altitude was recorded."""

    @property
    def share(self) -> float:
        """Returned energy as a share of what was drawn."""
        return self.returned / self.drawn if self.drawn > 0 else 0.0


@once
def power(it: Gathered) -> Series | NotKnown:
    """Return the power drawn from the pack in W."""
    current, voltage = it.current, it.voltage
    if current is None or voltage is None:
        lacking = "battery_current" if current is None else "pack_voltage"
        return NotKnown(f"needs the channel {lacking}")
    return product(current.series, voltage.series)


@once
def measure_consumption(it: Gathered) -> Consumption | NotKnown:
    """Return the energy per distance where current, voltage and speed were all recorded."""
    ride, drawing, speed = it.ride, power(it), it.speed
    if isinstance(drawing, NotKnown):
        return drawing
    if isinstance(speed, NotKnown):
        return speed
    drawn = integral_above_zero(drawing) / 3600
    returned = drawn - integral(drawing) / 3600
    pace = np.abs(interpolate(speed.series, drawing.time))
    step = steps(drawing)
    middle = (pace[1:] + pace[:-1]) / 2
    known = np.isfinite(middle)
    step, middle = step[known], middle[known]
    energy = step * ((drawing.value[1:] + drawing.value[:-1]) / 2)[known] / 3600
    distance = step * middle / 1000
    known_of = Coverage(float(step.sum()), ride_time(ride))
    if known_of.share < ENOUGH:
        return NotKnown(
            f"current, voltage and speed were recorded together over {step.sum():.0f} s of "
            f"{known_of.whole:.0f} s ({known_of.share:.0%}) only"
        )
    if distance.sum() < LEAST:
        return NotKnown(f"needs a ride of at least {1000 * LEAST:.0f} m")
    whole = _rate("whole ride", energy, distance, step)
    bands = []
    for low, high in zip(EDGES, (*EDGES[1:], np.inf), strict=True):
        inside = (3.6 * middle >= low) & (3.6 * middle < high)
        if distance[inside].sum() >= LEAST:
            label = f"{low:.0f} to {high:.0f} km/h" if high < np.inf else f"{low:.0f} km/h and more"
            bands.append(_rate(label, energy[inside], distance[inside], step[inside]))
    heights, way = find_heights(it), travelled(it)
    grades, climbed = [], None
    if heights is not None and way is not None:
        climbed = heights.climbed, heights.descended
        slope = slope_at(heights, interpolate(way, drawing.time)[1:][known])
        for low, high, word in GRADES:
            inside = (slope >= low) & (slope < high)
            if distance[inside].sum() >= LEAST:
                grades.append(_rate(word, energy[inside], distance[inside], step[inside]))
    return Consumption(
        whole,
        tuple(bands),
        drawn,
        returned,
        speed.how,
        known_of,
        coverage(ride, drawing),
        tuple(grades),
        climbed,
    )


def consumption_answer(it: Gathered) -> Answer:
    """Answer what a kilometre takes, by speed, and what braking gave back."""
    ride, found = it.ride, measure_consumption(it)
    if isinstance(found, NotKnown):
        return Answer.unanswered("consumption", QUESTION, found)
    whole = found.whole
    verdict = (
        f"{whole.per_km:.1f} Wh/km over {whole.distance:.2f} km; braking gave back "
        f"{found.share:.0%} of the energy drawn."
    )
    if whole.error is not None:
        low, high = whole.per_km - whole.error, whole.per_km + whole.error
        verdict += f" Another ride like it may take {low:.0f} to {high:.0f} Wh/km (9 in 10)."
    partly = found.covered.share < ALL
    told_of = f"; {found.covered.words}" if partly else ""
    if partly:
        verdict += f" This is {found.covered.words}; the rest has gaps."
    how = f"net energy over distance; speed: {found.how}{told_of}"
    flow = "" if found.flow.share >= ALL else f"; {found.flow.words}"
    figures = [
        Figure(rate.label, rate.per_km, "Wh/km", rate.error, how)
        for rate in (whole, *found.bands, *found.grades)
    ]
    figures += [
        Figure("drawn from the pack", found.drawn, "Wh", None, f"∫ power dt while positive{flow}"),
        Figure(
            "given back by braking", found.returned, "Wh", None, f"−∫ power dt while negative{flow}"
        ),
        Figure("share given back", 100 * found.share, "%", None, f"given back over drawn{flow}"),
    ]
    details = [
        f"At {rate.label}: {rate.per_km:.1f} Wh/km over {rate.distance:.2f} km"
        + ("." if rate.error is None else f"; from stretch to stretch ± {rate.error:.1f}.")
        for rate in found.bands
    ]
    if found.climbed is not None:
        up, down = found.climbed
        by = "; ".join(
            f"{rate.label} {rate.per_km:.1f} Wh/km over {rate.distance:.2f} km"
            for rate in found.grades
        )
        by = f": {by}" if by else ""
        altitude = column(ride, "altitude")
        covered = coverage(ride, altitude) if altitude is not None else found.covered
        heights_known = "" if covered.share >= ALL else f" ({covered.words})"
        details.append(
            f"By the altitude{heights_known} the road rose {up:.0f} m and fell {down:.0f} m{by} "
            f"(slopes over {SPAN:.0f} m, uphill and downhill from {GRADES[2][0]:.0%})."
        )
    told = "" if found.climbed is not None else "; no channel tells the slope"
    details.append(
        "A speed band holds what was ridden at that speed, hills and speeding up and slowing down "
        f"included{told}."
    )
    return Answer(
        "consumption",
        QUESTION,
        verdict,
        tuple(figures),
        ((0.0, ride.duration),),
        tuple(details),
    ).in_short(
        f"{whole.per_km:.1f} Wh/km; braking gave back {found.share:.0%}{told_of}",
        Urgency.FINE,
        Bars("Wh/km", tuple(Bar(rate.label, rate.per_km) for rate in found.bands))
        if found.bands and all(rate.per_km >= 0 for rate in found.bands)
        else None,
    )


def _rate(label: str, energy: Array, distance: Array, step: Array) -> Rate:
    """Ratio estimate with the jackknife over pieces of equal distance."""
    total = distance.sum()
    ends = np.searchsorted(np.cumsum(distance), total * np.arange(1, PIECES) / PIECES)
    starts = np.unique(np.r_[0, ends])
    starts = starts[starts < len(energy)]
    pieces = np.add.reduceat(energy, starts), np.add.reduceat(distance, starts)
    count = len(starts)
    error = None
    if count > 1:
        left = (energy.sum() - pieces[0]) / (total - pieces[1])
        spread = np.sum((left - left.mean()) ** 2) * (count - 1) / count
        error = student(0.95, count - 1) * float(np.sqrt(spread))
    return Rate(label, float(energy.sum() / total), error, float(total), float(step.sum()))
