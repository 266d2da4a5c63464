"""Left against right: how two motors share the work, turn and warm, and what a difference means.

The levels from which a difference is worth looking at are common practice, no source.
"""

from dataclasses import dataclass

import numpy as np

from sagline_logger.format.counting import often

from ...load.ride import Ride
from ..readings.chance import student
from ..readings.electric import present
from ..readings.gathered import Gathered
from ..readings.series import Array, Series, combine, interpolate, steps
from ..readings.unknown import NotKnown
from ..telling.answer import Answer, Figure, Urgency

BLOCK = 5.0
"""s of the blocks whose scatter gives the uncertainty: longer than any one event (our choice)."""

FEWEST = 4
"""Blocks needed before a difference is stated."""

SHARE_APART = 0.05
"""Current share away from one half that is worth looking at (5 percentage points)."""

SPEED_APART = 0.02
"""Lasting difference in speed that is worth looking at."""

WARMTH_APART = 10.0
"""K between the two that is worth looking at."""

SLIP, SLIP_SECONDS = 0.10, 0.2
"""Sudden difference in speed, and for how long, that counts as a wheel slipping."""

KEY, QUESTION = "sides", "Do left and right work alike?"


@dataclass(frozen=True)
class Contrast:
    """One comparison of the two motors.

    ``value`` ± ``uncertainty`` (half-width of the 90 % interval) in ``unit``; positive when the
    first motor has more.  ``worth`` says whether it is worth looking at, ``meaning`` what it
    usually means.
    """

    key: str
    label: str
    value: float
    uncertainty: float
    unit: str
    worth: bool
    meaning: str
    evidence: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class NotCompared:
    """A comparison that this ride does not allow, and why."""

    key: str
    label: str
    why: NotKnown


@dataclass(frozen=True)
class Sides:
    """All comparisons of motor 1 with motor 2, called ``names``; ``slips`` are spans in s in which
    one wheel suddenly turned faster, with the number (1 or 2) of the motor that did."""

    names: tuple[str, str]
    compared: tuple[Contrast | NotCompared, ...]
    slips: tuple[tuple[float, float, int], ...]

    @property
    def differences(self) -> tuple[Contrast, ...]:
        """What could be compared."""
        return tuple(one for one in self.compared if isinstance(one, Contrast))

    @property
    def unknown(self) -> tuple[NotCompared, ...]:
        """What could not."""
        return tuple(one for one in self.compared if isinstance(one, NotCompared))


def sides(ride: Ride) -> Sides | NotKnown:
    """Compare the two motors of a ride."""
    currents = present(ride, "motor_current")
    if len(currents) != 2:
        return NotKnown(f"it needs two motors, this ride has {len(currents) or 'none'}")
    names = (_name(ride, currents[0][0], "motor 1"), _name(ride, currents[1][0], "motor 2"))
    one, two = currents[0][1], currents[1][1]
    turning = present(ride, "motor_speed") or present(ride, "motor_electrical_speed")
    speeds, slips = _speeds(turning, names)
    found: list[Contrast | NotCompared] = [_share(one, two, names), *speeds]
    for kind in ("motor", "controller"):
        found.append(_warmth(present(ride, f"{kind}_temperature"), kind, names, one, two))
    return Sides(names, tuple(found), slips)


def _name(ride: Ride, key: str, otherwise: str) -> str:
    stream = ride.find(key)
    return (stream.channels[key].label if stream else "") or otherwise


def _share(one: Series, two: Series, names: tuple[str, str]) -> Contrast | NotCompared:
    """Share of the first in the work of driving, by charge: ∫|i₁| over ∫|i₁| + |i₂|."""
    label = f"Share of the motor current that {names[0]} carries while driving"
    other = interpolate(two, one.time)
    driving = (one.value > 0) & (other > 0) & (one.value + other > 4)
    weight = _weights(one) * driving
    both = np.nan_to_num(one.value + other)
    ratio = _blocked(one, one.value * weight, both * weight)
    if ratio is None:
        why = NotKnown("the motors drove together for too short a time")
        return NotCompared("current_share", label, why)
    value, half, evidence = ratio
    worth = abs(value - 0.5) - half > SHARE_APART
    meaning = ""
    if worth:
        more = names[0] if value > 0.5 else names[1]
        meaning = (
            f"{more} does more of the work. Usual reasons: unequal settings of the two "
            "controllers, one of them held back by its own limit or by heat, unequal wheels or "
            "belts, or a current sensor out of trim."
        )
    return Contrast("current_share", label, value, half, "1", worth, meaning, evidence)


def _speeds(
    turning: list[tuple[str, Series]], names: tuple[str, str]
) -> tuple[list[Contrast | NotCompared], tuple[tuple[float, float, int], ...]]:
    label = f"Speed of {names[0]} above {names[1]}, lasting"
    if len(turning) != 2:
        return [NotCompared("speed", label, NotKnown("it needs motor_speed of both motors"))], ()
    one, two = turning[0][1], turning[1][1]
    other = interpolate(two, one.time)
    mean = (np.abs(one.value) + np.abs(other)) / 2
    # A tenth of the top speed: below it one step of the sensor is too large a part of the speed.
    moving = mean > 0.1 * np.max(mean, where=np.isfinite(mean), initial=0.0)
    ratio = np.where(moving, (np.abs(one.value) - np.abs(other)) / np.where(moving, mean, 1), 0.0)
    usual = float(np.median(ratio[moving])) if moving.any() else 0.0
    slips = _slips(one, ratio - usual, moving)
    calm = moving & (np.abs(ratio - usual) < SLIP / 2)
    weight = _weights(one) * calm
    lasting = _blocked(one, ratio * weight, weight)
    if lasting is None:
        return [NotCompared("speed", label, NotKnown("the ride was too short at speed"))], slips
    value, half, evidence = lasting
    worth = abs(value) - half > SPEED_APART
    faster = names[0] if value > 0 else names[1]
    meaning = (
        f"{faster} turns faster all the time. Usual reasons: a smaller or softer tyre on that "
        "side, other pulley teeth, or a belt that creeps or slips."
    )
    return [
        Contrast("speed", label, value, half, "1", worth, meaning if worth else "", evidence)
    ], slips


def _slips(
    series: Series, apart: Array, moving: "np.typing.NDArray[np.bool_]"
) -> tuple[tuple[float, float, int], ...]:
    """Return the spans in which one side suddenly turns faster, and which."""
    found = []
    for number, sign in ((1, 1.0), (2, -1.0)):
        flags = moving & (sign * apart > SLIP)
        at = np.flatnonzero(flags)
        if not len(at):
            continue
        split = np.flatnonzero((np.diff(at) > 1) | series.gap[at[1:]]) + 1
        for run in np.split(at, split):
            start, end = float(series.time[run[0]]), float(series.time[run[-1]])
            if end - start >= SLIP_SECONDS:
                found.append((start, end, number))
    return tuple(sorted(found))


def _warmth(
    parts: list[tuple[str, Series]], kind: str, names: tuple[str, str], one: Series, two: Series
) -> Contrast | NotCompared:
    """Compare the last minute's mean temperatures, and whether the currents explain it."""
    one_name, two_name = (
        (names[0], names[1])
        if names[0].startswith(kind)
        else (f"{kind} {name.removeprefix('motor ')}" for name in names)
    )
    label = f"{one_name.capitalize()} above {two_name} at its warmest"
    key = f"{kind}_temperature"
    if len(parts) != 2:
        return NotCompared(key, label, NotKnown(f"it needs {key} of both"))
    first, second = parts[0][1], parts[1][1]
    hottest = combine([first, second], "max")
    if not len(hottest):
        return NotCompared(key, label, NotKnown("the two were never read together"))
    peak = float(hottest.time[np.argmax(hottest.value)])
    near = np.abs(first.time - peak) <= 15.0
    apart = (first.value - interpolate(second, first.time))[near]
    apart = apart[np.isfinite(apart)]
    if len(apart) < FEWEST:
        return NotCompared(key, label, NotKnown("too few readings of both"))
    value = float(np.mean(apart))
    # Two whole-degree sensors: rounding alone leaves ±0.6 K, whatever the mean says.
    error = np.std(apart, ddof=1) / np.sqrt(len(apart))
    half = float(np.hypot(student(0.95, len(apart) - 1) * error, 0.6))
    worth = abs(value) - half > WARMTH_APART
    meaning = ""
    if worth:
        warmer, cooler = (names[0], names[1]) if value > 0 else (names[1], names[0])
        squares = [float(np.sum(_weights(s) * s.value**2)) for s in (one, two)]
        more = squares[0] / max(squares[1], 1e-9)
        more = more if value > 0 else 1 / max(more, 1e-9)
        meaning = (
            f"{warmer} ran warmer, and its current explains it: it carried {more:.2f} times the "
            "squared current. Look for what loads it more."
            if more > 1.15
            else f"{warmer} ran warmer than {cooler} on {more:.2f} times its squared current. "
            "Usual reasons: less cooling air on that side, a poor fit to its mount or heat sink, "
            "more winding resistance (a bad joint), dragging bearings, or a sensor that reads high."
        )
    start, end = float(first.time[near][0]), float(first.time[near][-1])
    return Contrast(key, label, value, half, "K", worth, meaning, ((start, end),))


def _weights(series: Series) -> Array:
    """Return the s that each sample stands for."""
    half = steps(series) / 2
    return np.asarray(np.r_[half, 0.0] + np.r_[0.0, half])


def _blocked(
    series: Series, above: Array, below: Array
) -> tuple[float, float, tuple[tuple[float, float], ...]] | None:
    """Return Σ above / Σ below, the half-width of its 90 % interval, and the span of the blocks;
    None with fewer than :data:`FEWEST` blocks.

    Neighbouring samples are not independent, so the scatter is that of blocks of :data:`BLOCK` s
    (ratio estimator and its standard error: Cochran, "Sampling Techniques", ch. 6); the quantile is
    Student's.
    """
    above, below = np.nan_to_num(above), np.nan_to_num(below)
    block = ((series.time - series.time[0]) / BLOCK).astype(int)
    tops = np.bincount(block, above)
    bottoms = np.bincount(block, below)
    used = np.flatnonzero(bottoms > 0)
    if len(used) < FEWEST:
        return None
    value = float(tops[used].sum() / bottoms[used].sum())
    off = tops[used] - value * bottoms[used]
    count = len(used)
    error = np.sqrt(np.sum(off**2) * count / (count - 1)) / bottoms[used].sum()
    start = series.time[0] + BLOCK * used[0]
    end = min(series.time[0] + BLOCK * (used[-1] + 1), series.time[-1])
    half = student(0.95, count - 1) * float(error)
    return value, half, ((float(start), float(end)),)


def sides_answer(it: Gathered) -> Answer:
    """Answer whether left and right work alike, and what a difference usually means."""
    found = sides(it.ride)
    if isinstance(found, NotKnown):
        return Answer.unanswered(KEY, QUESTION, found)
    known = found.differences
    if not known:
        reasons = "; ".join(one.why.reason for one in found.unknown)
        return Answer.unanswered(KEY, QUESTION, NotKnown(reasons))
    worth = [d for d in known if d.worth]
    verdict = (
        f"{found.names[0].capitalize()} and {found.names[1]} differ in what is worth a look: "
        f"{'; '.join(_short(d) for d in worth)}."
        if worth
        else f"{found.names[0].capitalize()} and {found.names[1]} work alike: no difference worth "
        "looking at."
    )
    if found.slips:
        verdict += (
            f" A motor ran ahead of the other {often(len(found.slips))}: slip, or a tight bend."
        )
    details = [f"{d.label}: {_amount(d)}. {d.meaning}".strip() for d in known]
    details += [f"{one.label}: not known, {one.why.reason}." for one in found.unknown]
    details += [
        f"From {start:.1f} to {end:.1f} s {found.names[motor - 1]} turned more than {SLIP:.0%} "
        "faster than usual against the other: its wheel lost grip, its belt slipped, or it ran on "
        "the outside of a tight bend."
        for start, end, motor in found.slips[:5]
    ]
    evidence = tuple(dict.fromkeys(span for d in known for span in d.evidence))
    evidence += tuple((start, end) for start, end, _ in found.slips)
    return Answer(
        KEY, QUESTION, verdict, tuple(_figure(d) for d in known), evidence, tuple(details)
    ).in_short(
        f"{found.names[0].capitalize()} and {found.names[1]} "
        + (f"differ in {len(worth)} of {len(known)} comparisons" if worth else "work alike")
        + (f"; one ran ahead {len(found.slips)} times" if found.slips else ""),
        Urgency.LOOK if worth or found.slips else Urgency.FINE,
    )


def _figure(found: Contrast) -> Figure:
    scale, unit = (100.0, "%") if found.unit == "1" else (1.0, found.unit)
    how = f"scatter of {BLOCK:g} s blocks" if unit == "%" else "mean of 30 s around the warmest"
    return Figure(found.label, scale * found.value, unit, scale * found.uncertainty, how)


def _amount(found: Contrast) -> str:
    figure = _figure(found)
    assert figure.uncertainty is not None
    # As many decimals as the doubt has to tell, two at most.
    digits = 0 if figure.uncertainty >= 10 else 1 if figure.uncertainty >= 1 else 2
    doubt = max(figure.uncertainty, 10.0**-digits)
    return f"{figure.value:.{digits}f} ± {doubt:.{digits}f} {figure.unit}".replace("-", "−")


def _short(found: Contrast) -> str:
    return f"{found.label[0].lower()}{found.label[1:]} {_amount(found)}"
