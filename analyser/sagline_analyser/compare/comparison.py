"""The comparison of two sides as one frozen result: what the page, the words and JSON show."""

import math
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace

import numpy as np

from sagline_logger.format import CAUTION, SaglineError, UsageError

from ..findings.basis import Basis, open_basis
from ..findings.drive.held_back import CAUSES, Cause, HeldBack, MotorCauses, held_back
from ..findings.readings.gathered import Gathered
from ..findings.readings.series import Array
from ..load.opening import board_inside
from ..load.ride import Ride
from .alike import OF_PACK, TIMES, slopes
from .confounders import Confounder, confounders, hand
from .learnt import learnt
from .like_load import Fit, fit, joined, times
from .measures import Goal, Measure, figures, launch_goal, measures
from .runs import Run, choose_launches, choose_pulls, find_runs
from .sides import Part, SettingChange, StretchSetting, changes, settings_seen, split
from .statistics import SURE, Difference, adjusted, difference, launchwise
from .verdict import MATTERS, Judgement, judge

CLEAR = 0.10
"""Corrected two-sided p up to which a difference of the table counts as clear: 5 % each way."""

METHOD = (
    "Launches of one stretch share its load, wind and pack, so the stretch is what repeats: "
    "differences are means of B's stretches less means of A's, held against how the stretches of "
    "a side differ, by Student's t with as many degrees of freedom as there are stretches less "
    "two. With fewer than four stretches a typical spread stands in, and the verdict says so. "
    "Where the launches of one stretch show how a measure goes with pack voltage or throttle, all "
    "are brought to the same of these first; how one side's stretches lie apart corrects what the "
    "launches show, except of times, which load and wind move as much. Where motors alone held the "
    "launches back, the pack's currents and its sag are brought to one pack voltage: at one power "
    "they go inversely with it. Where a setting of the controllers is what changed, the time that "
    "the measured currents would take in one mean vehicle tells its effect apart from load, wind "
    "and slope (the scatter of the launches counts for two degrees of freedom there); what was "
    "measured directly corrects it, by how far stretches differ here and how far they typically "
    "do. The verdict rests on one measure, named "
    "before looking, and on a two-sided p of at most 0.05; where the whole 90 % interval is "
    "smaller than what matters, it says so instead. In the table p is corrected for the number of "
    "measures (Holm), and a difference is called clear at 0.10 or less."
)

UNSTATED = (
    "The logs state no setting that differs, but the peak currents do, clearly: it is taken that a "
    "limit of the controllers was changed, and nothing else."
)

TYPICAL = {
    "time_to_speed": 0.02,
    "time_to_half": 0.0175,
    "distance": 0.02,
    "peak_battery": 0.02,
    "mean_battery": 0.02,
    "peak_motor": 0.01,
    "mean_motor": 0.015,
    "heat": 0.02,
    "sag": 0.04,
    "energy": 0.02,
}
"""Standard deviation, as a share, by which stretches of equal settings differ where one rider rides
them one after another; it stands in where there are too few stretches to show it."""

CURRENTS = 0.5
"""Share of :data:`TYPICAL` of a time that is left once load, wind and slope are taken out."""

ELECTRIC = (
    "motor_current_limit",
    "battery_current_limit",
    "duty_limit",
    "voltage_cutback_start",
    "voltage_cutback_end",
)
"""Settings that act on the launch by way of the motor currents alone."""

OF_MOTORS = {Cause.MOTOR_CURRENT, Cause.HEAT, Cause.RIDER}
"""What sets the motors' current whatever the pack's voltage."""

FEW = 0.05
"""Share of the runs' time up to which other causes make no difference (our choice)."""

EVIDENT = (0.03, 0.01)
"""Share by which, and p with which, a peak current must differ for a change of the controllers to
be evident where none is stated (our choice)."""


@dataclass(frozen=True)
class MeasureRow:
    """One measure on both sides; ``difference`` and ``adjusted_p`` are None without a side B.

    ``a`` and ``b`` are the single runs' values as measured; ``mean_a`` and ``mean_b`` are the means
    over stretches at like conditions: ``alike`` names what was brought alike.
    """

    measure: Measure
    a: tuple[float, ...]
    b: tuple[float, ...]
    mean_a: float
    mean_b: float | None
    difference: Difference | None
    adjusted_p: float | None
    alike: tuple[str, ...] = ()

    @property
    def clear(self) -> bool:
        """Whether the difference stands out, corrected for the number of measures."""
        return self.adjusted_p is not None and self.adjusted_p <= CLEAR


@dataclass(frozen=True)
class CauseShare:
    """Share (0 to 1) of the runs' time that ``cause`` decided the motor current, on each side."""

    cause: str
    a: float
    b: float


@dataclass(frozen=True)
class RunGroup:
    """All runs of one kind: ``runs`` in the order ridden, what they come to and how they differ.

    ``partly`` says of which measures only some runs have all the readings; they have no row.
    """

    goal: Goal
    runs: tuple[Run, ...]
    rows: tuple[MeasureRow, ...]
    causes: tuple[CauseShare, ...]
    confounders: tuple[Confounder, ...]
    partly: tuple[str, ...] = ()

    def side(self, letter: str) -> list[Run]:
        """Return the runs of one side."""
        return [run for run in self.runs if run.side == letter]

    def row(self, key: str) -> MeasureRow:
        """Return the row of one measure."""
        return next(row for row in self.rows if row.measure.key == key)


@dataclass(frozen=True)
class Comparison:
    """Side A against side B.  ``verdict`` is None where only side A was given.

    ``settings`` is what each stretch shows of the settings it states, ``doubts`` in words those
    that may not have been in force.
    """

    parts: tuple[Part, ...]
    changes: tuple[SettingChange, ...]
    launches: RunGroup | None
    pulls: RunGroup | None
    verdict: Judgement | None
    notes: tuple[str, ...]
    order: str
    settings: tuple[StretchSetting, ...] = ()
    doubts: tuple[str, ...] = ()
    caution: str = CAUTION

    @property
    def main(self) -> RunGroup:
        """The group the verdict is about."""
        found = self.launches or self.pulls
        assert found is not None
        return found


def compare(
    parts: Sequence[Part], judged: str = "time_to_speed", matters: float = MATTERS
) -> Comparison:
    """Compare the launches, and the pulls, of the parts of side A with those of side B.

    ``judged`` is the key of the measure that the verdict rests on, ``matters`` the smallest
    difference that matters, as a share of A's figure.

    Raises:
        SaglineError: a log lacks a needed channel, a side has no launch or pull, or there is no
            such measure.
    """
    runs: list[Run] = []
    motors: dict[int, tuple[MotorCauses, ...]] = {}
    held: dict[int, HeldBack] = {}
    for part in parts:
        found, _ = find_runs(part.ride, part.board, part.side, part.number, (part.start, part.end))
        runs += found
        if id(part.ride) not in held:
            held[id(part.ride)] = held_back(Gathered(part.ride, part.board))
        motors[part.number] = held[id(part.ride)].motors
    both = any(part.side == "B" for part in parts)
    launches, notes = choose_launches(runs)
    pulls, span, more = choose_pulls(runs)
    notes += more
    changed, warned = changes(parts) if both else ((), ())
    have = [
        _group(launch_goal(launches), launches, motors, changed)
        if _enough(launches, both)
        else None,
        _group(Goal("pull", *span), pulls, motors, changed)
        if span and _enough(pulls, both)
        else None,
    ]
    if not any(have):
        lacking = [s for s in ("A", "B")[: 1 + both] if not any(r.side == s for r in launches)]
        raise SaglineError(
            f"no launch from standstill on side {' or '.join(lacking) or 'A'}, and no pulls through"
            " the same speeds on both",
            where=", ".join(dict.fromkeys(part.ride.path for part in parts)),
            remedy="ride a few full-throttle launches from standstill with each setting",
        )
    order = "".join(part.side for part in parts)
    settings, doubts = settings_seen(
        parts, changed, {key: one.settings for key, one in held.items()}
    )
    comparison = Comparison(
        tuple(parts),
        changed,
        have[0],
        have[1],
        None,
        (
            *notes,
            *(note for group in have if group is not None for note in group.partly),
            *warned,
            *_order_notes(order, both, have[0] or have[1]),
        ),
        order,
        settings,
        doubts,
    )
    keys = [row.measure.key for row in comparison.main.rows]
    if judged not in keys:
        raise UsageError(
            f"no measure {judged} here", where="--judge", remedy=f"one of: {', '.join(keys)}"
        )
    if not both:
        return comparison
    row = comparison.main.row(judged)
    if row.difference is None:
        raise SaglineError(f"{judged} is not known in every launch", where="--judge")
    verdict = judge(
        row.measure,
        row.mean_a,
        row.difference,
        comparison.main.confounders,
        _balanced(order),
        matters,
        "currents" in row.alike,
    )
    assumed = (UNSTATED,) if not changed and "currents" in row.alike else ()
    return replace(comparison, verdict=verdict, notes=(*comparison.notes, *assumed))


def compare_rides(
    rides: Sequence[Ride | Basis],
    sides: str | None = None,
    by: str | None = None,
    marks: bool = False,
    judged: str = "time_to_speed",
    matters: float = MATTERS,
) -> Comparison:
    """Examine rides, put them on their sides (:func:`~.sides.split`) and compare them.

    A ride counts with the board file inside its log, an examined one with its own.

    Raises:
        SaglineError: as :func:`~.sides.split` and :func:`compare`; or a board file is not valid.
    """
    examined = [
        one if isinstance(one, Basis) else open_basis(one, board_inside(one)) for one in rides
    ]
    parts = split([(basis.ride, basis.board) for basis in examined], sides, by, marks)
    return compare(parts, judged, matters)


def _enough(runs: Sequence[Run], both: bool) -> bool:
    return all(any(run.side == letter for run in runs) for letter in "AB"[: 1 + both])


def _group(
    goal: Goal,
    runs: Sequence[Run],
    motors: dict[int, tuple[MotorCauses, ...]],
    changed: Sequence[SettingChange],
) -> RunGroup:
    a, b = ([run for run in runs if run.side == letter] for letter in "AB")
    both = [*a, *b]
    found = [figures(run, goal) for run in both]
    fitted = fit(both, goal)
    explained = None if fitted is None else times(both, goal.low, goal.high, fitted.push)
    spent = np.array([one["time_to_speed"] for one in found])
    left = None if explained is None or not np.isfinite(spent).all() else spent - explained
    causes = _causes(a, b, goal, motors)
    ceiling = _largest_share(causes, {Cause.DUTY}) > FEW
    conditions = confounders(a, b, goal, fitted, left, ceiling) if b else ()
    alike = {
        "rest_voltage": np.array([run.before.get("rest_voltage", math.nan) for run in both]),
        "hand": np.array([hand(run) for run in both]),
    }
    at_power = _at_power(causes)
    rows: list[MeasureRow] = []
    partly: list[str] = []
    for measure in measures(goal):
        values = np.array([one[measure.key] for one in found])
        known = np.count_nonzero(np.isfinite(values))
        if known == len(values):  # a mean over other launches than the rest would mislead
            rows.append(_row(measure, values, both, alike, at_power))
        elif known:
            what = "launches" if goal.kind == "launch" else "pulls"
            partly.append(
                f"{measure.label} is known of {known} of the {len(values)} {what}, and so not told."
            )
    if b and fitted is not None and _by_currents(changed, rows, conditions):
        rows = [_currents_row(row, both, alike, goal, fitted) for row in rows]
    if b:
        taken = set(rows[0].alike)
        conditions = tuple(
            replace(one, taken_out=one.taken_out or _taken_out(one.key, taken))
            for one in conditions
        )
        chances = [row.difference.p for row in rows if row.difference is not None]
        rows = [replace(row, adjusted_p=p) for row, p in zip(rows, adjusted(chances), strict=True)]
    return RunGroup(
        goal,
        tuple(runs),
        tuple(rows),
        causes,
        tuple(conditions),
        tuple(partly),
    )


def _row(
    measure: Measure,
    values: Array,
    runs: Sequence[Run],
    conditions: Mapping[str, Array],
    at_power: bool,
) -> MeasureRow:
    on_b = np.array([run.side == "B" for run in runs])
    a, b = tuple(values[~on_b].tolist()), tuple(values[on_b].tolist())
    if not b:
        return MeasureRow(measure, a, b, float(np.mean(a)), None, None, None)
    by, alike = _tested(measure.key, values, runs, conditions, at_power=at_power)
    return _placed(MeasureRow(measure, a, b, 0.0, 0.0, by, None, alike), values, runs)


def _tested(
    key: str,
    values: Array,
    runs: Sequence[Run],
    conditions: Mapping[str, Array],
    at_power: bool = False,
    by_currents: bool = False,
) -> tuple[Difference, tuple[str, ...]]:
    found = slopes(key, values, [run.part for run in runs], conditions, at_power)
    launches = np.column_stack([values, found.away])
    a, b = (_stretches(launches, runs, letter) for letter in "AB")
    typical = (CURRENTS if by_currents else 1.0) * TYPICAL[key] * abs(float(np.mean(values)))
    even_a, even_b = ([found.even(one) for one in side] for side in (a, b))
    by = difference(even_a, even_b, typical, found.error(a, b))
    if not by.typical and (by_currents or (found.names and _rides_tell(key, at_power))):
        by = learnt(by, a, b, found, alone=by_currents)
    return by, found.names


def _rides_tell(key: str, at_power: bool) -> bool:
    """Whether how a side's stretches lie apart can show a slope: not of times, which load, wind
    and the road's slope move as much, nor where physics gives it."""
    return key not in TIMES and not (at_power and key in OF_PACK)


def _stretches(values: Array, runs: Sequence[Run], letter: str) -> list[Array]:
    numbers = sorted({run.part for run in runs if run.side == letter})
    return [
        np.array([v for v, run in zip(values, runs, strict=True) if run.part == number])
        for number in numbers
    ]


def _placed(row: MeasureRow, values: Array, runs: Sequence[Run]) -> MeasureRow:
    """Return the row with means its difference apart, about the middle of all stretches."""
    assert row.difference is not None
    sides = [np.mean([s.mean() for s in _stretches(values, runs, letter)]) for letter in "AB"]
    middle, half = float(np.mean(sides)), row.difference.value / 2
    return replace(row, mean_a=middle - half, mean_b=middle + half)


def _by_currents(
    changed: Sequence[SettingChange], rows: Sequence[MeasureRow], conditions: Sequence[Confounder]
) -> bool:
    """Whether what was changed acts by way of the currents: as stated, or else as seen."""
    if changed:
        return all(change.name in ELECTRIC for change in changed)
    throttle = next((abs(one.effect) for one in conditions if one.key == "hand"), 0.0)
    for row in rows:
        by = row.difference
        if row.measure.key in ("peak_motor", "peak_battery") and by is not None and row.mean_a:
            share = abs(by.value / row.mean_a)
            if share > max(EVIDENT[0], 3 * throttle) and by.p < EVIDENT[1] and not by.typical:
                return True
    return False


def _currents_row(
    row: MeasureRow, runs: Sequence[Run], conditions: Mapping[str, Array], goal: Goal, fitted: Fit
) -> MeasureRow:
    key = row.measure.key
    if key not in TIMES or row.difference is None:
        return row
    high = goal.high if key == "time_to_speed" else goal.high / 2
    explained = times(runs, goal.low, high, fitted.push)
    if explained is None:
        return row
    by, alike = _tested(key, explained, runs, conditions, by_currents=True)
    values = np.array([*row.a, *row.b])
    both = joined(row.difference, by, abs(float(np.mean(values))), TYPICAL[key])
    whole = replace(row, difference=both, alike=(*alike, "currents"))
    return _placed(whole, values, runs)


def _taken_out(key: str, alike: set[str]) -> str:
    if key == "slope" and "currents" in alike:
        return "currents are held against one mean vehicle"
    return "brought alike by what launches of one stretch show" if key in alike else ""


def _causes(
    a: Sequence[Run], b: Sequence[Run], goal: Goal, motors: dict[int, tuple[MotorCauses, ...]]
) -> tuple[CauseShare, ...]:
    shares = [_side_causes(side, goal, motors) for side in (a, b)]
    order = np.argsort(-(shares[0] + shares[1]))
    return tuple(
        CauseShare(str(CAUSES[at]), float(shares[0][at]), float(shares[1][at]))
        for at in order
        if shares[0][at] + shares[1][at] > 0.005
    )


def _at_power(causes: Sequence[CauseShare]) -> bool:
    """Whether next to nothing held the runs back that goes with the pack's voltage."""
    return bool(causes) and _largest_share(causes, set(CAUSES) - OF_MOTORS) < FEW


def _largest_share(causes: Sequence[CauseShare], among: Set[Cause]) -> float:
    """Return the share of the time that some causes decided, on the side where it is larger."""
    some = [one for one in causes if one.cause in among]
    return max(sum(one.a for one in some), sum(one.b for one in some))


def _side_causes(
    runs: Sequence[Run], goal: Goal, motors: dict[int, tuple[MotorCauses, ...]]
) -> Array:
    seconds = np.zeros(len(CAUSES))
    for run in runs:
        time = figures(run, goal)["time_to_speed"]
        for motor in motors[run.part]:
            inside = (motor.time >= run.zero) & (motor.time <= run.zero + time)
            seconds += np.bincount(motor.cause[inside], motor.step[inside], len(CAUSES))
    return seconds / seconds.sum() if seconds.sum() > 0 else seconds


def _balanced(order: str) -> bool:
    """Whether both letters come equally late on average, so that a steady drift falls on both."""
    places: dict[str, list[int]] = {letter: [] for letter in "AB"}
    for place, letter in enumerate(order):
        places[letter].append(place)
    a, b = (sum(own) / len(own) if own else math.nan for own in places.values())
    return abs(a - b) < 1e-9


def _order_notes(order: str, both: bool, group: RunGroup | None) -> list[str]:
    if not both:
        return []
    notes = []
    if not _balanced(order):
        notes.append(
            f"Ridden in the order {', '.join(order)}: whatever drifted between the sides shows as "
            "a difference between the settings."
        )
    if group is not None:
        for letter in "AB":
            numbers = sorted({run.part for run in group.side(letter)})
            if len(numbers) < 2:
                continue
            row = group.rows[0]
            values = dict(
                zip(
                    [id(r) for r in group.side(letter)],
                    row.a if letter == "A" else row.b,
                    strict=True,
                )
            )
            first, last = (
                np.array([values[id(r)] for r in group.side(letter) if r.part == number])
                for number in (numbers[0], numbers[-1])
            )
            drift = launchwise(first, last)
            if drift.p < SURE and abs(drift.value) > MATTERS * abs(row.mean_a):
                notes.append(
                    f"Something drifted: side {letter}'s last stretch differs from its first by "
                    f"{drift.value:+.2f} {row.measure.unit} in {row.measure.label.lower()}, more "
                    "than the scatter within them.".replace("-", "−")
                )
    return notes
