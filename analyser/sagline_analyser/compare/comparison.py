"""The comparison of two sides as one frozen result: what the page, the words and JSON show."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sagline_logger.format import CAUTION, SaglineError

from ..findings.held_back import CAUSES, MotorCauses, held_back
from ..findings.series import Array
from .confounders import Confounder, confounders
from .measures import Goal, Measure, figures, launch_goal, measures
from .runs import Run, choose_launches, choose_pulls, find_runs
from .sides import Part, SettingChange, changes
from .statistics import Difference, adjusted, difference
from .verdict import Verdict, judge

SURE = 0.10
"""Corrected two-sided p up to which a difference of the table counts as clear: 5 % each way."""

METHOD = (
    "Differences are means of B less means of A. Their 90 % intervals and p come from the exact "
    "permutation test: what handing out the letters A and B to the launches in every other way "
    "would show (10 000 drawn ways where there are more than 20 000). The verdict rests on one "
    "measure, named before looking. For the table p is corrected for the number of measures by "
    "step-down maxima over the same permutations (Westfall and Young), and a difference is called "
    "clear where it stays at or below 0.10, which is 5 % in each direction. All of it takes the "
    "launches as alike but for the setting; riding A, B, B, A and the conditions below are what "
    "supports that."
)


@dataclass(frozen=True)
class Row:
    """One measure on both sides; ``difference`` and ``adjusted_p`` are None without repeats on
    both.  ``a`` and ``b`` are the single runs' values."""

    measure: Measure
    a: tuple[float, ...]
    b: tuple[float, ...]
    mean_a: float
    mean_b: float | None
    difference: Difference | None
    adjusted_p: float | None

    @property
    def clear(self) -> bool:
        """Whether the difference stands out, corrected for the number of measures."""
        return self.adjusted_p is not None and self.adjusted_p <= SURE


@dataclass(frozen=True)
class CauseShare:
    """Share (0 to 1) of the runs' time that ``cause`` decided the motor current, on each side."""

    cause: str
    a: float
    b: float


@dataclass(frozen=True)
class Group:
    """All runs of one kind: ``runs`` in the order ridden, what they come to and how they differ."""

    goal: Goal
    runs: tuple[Run, ...]
    rows: tuple[Row, ...]
    causes: tuple[CauseShare, ...]
    confounders: tuple[Confounder, ...]

    def side(self, letter: str) -> list[Run]:
        """Return the runs of one side."""
        return [run for run in self.runs if run.side == letter]

    def row(self, key: str) -> Row:
        """Return the row of one measure."""
        return next(row for row in self.rows if row.measure.key == key)


@dataclass(frozen=True)
class Comparison:
    """Side A against side B.  ``verdict`` is None where only side A was given."""

    parts: tuple[Part, ...]
    changes: tuple[SettingChange, ...]
    launches: Group | None
    pulls: Group | None
    verdict: Verdict | None
    notes: tuple[str, ...]
    order: str
    caution: str = CAUTION

    @property
    def main(self) -> Group:
        """The group the verdict is about."""
        found = self.launches or self.pulls
        assert found is not None
        return found


def compare(parts: Sequence[Part], judged: str = "time_to_speed") -> Comparison:
    """Compare the launches, and the pulls, of the parts of side A with those of side B.

    ``judged`` is the key of the measure that the verdict rests on.

    Raises:
        SaglineError: a log lacks a needed channel, a side has no launch or pull, or there is no
            such measure.
    """
    runs: list[Run] = []
    motors: dict[int, tuple[MotorCauses, ...]] = {}
    rides: dict[int, tuple[MotorCauses, ...]] = {}
    for part in parts:
        found, _ = find_runs(part.ride, part.board, part.side, part.number, (part.start, part.end))
        runs += found
        if id(part.ride) not in rides:
            rides[id(part.ride)] = held_back(part.ride, part.board).motors
        motors[part.number] = rides[id(part.ride)]
    both = any(part.side == "B" for part in parts)
    launches, notes = choose_launches(runs)
    pulls, span = choose_pulls(runs)
    have = [
        _group(launch_goal(launches), launches, motors) if _enough(launches, both) else None,
        _group(Goal("pull", *span), pulls, motors) if span and _enough(pulls, both) else None,
    ]
    if not any(have):
        lacking = [s for s in ("A", "B")[: 1 + both] if not any(r.side == s for r in launches)]
        raise SaglineError(
            f"no launch from standstill on side {' or '.join(lacking) or 'A'}, and no pulls through"
            " the same speeds on both",
            where=", ".join(dict.fromkeys(part.ride.path for part in parts)),
            remedy="ride a few full-throttle launches from standstill with each setting",
        )
    changed, warned = changes(parts) if both else ((), ())
    order = "".join(part.side for part in parts)
    comparison = Comparison(
        tuple(parts), changed, have[0], have[1], None,
        (*notes, *warned, *_order_notes(order, both, have[0] or have[1])), order,
    )  # fmt: skip
    keys = [row.measure.key for row in comparison.main.rows]
    if judged not in keys:
        raise SaglineError(
            f"no measure {judged} here", where="--judge", remedy=f"one of: {', '.join(keys)}"
        )
    if not both:
        return comparison
    row = comparison.main.row(judged)
    if row.difference is None:
        raise SaglineError(f"{judged} is not known in every launch", where="--judge")
    verdict = judge(
        row.measure, row.mean_a, row.difference, comparison.main.confounders, _balanced(order)
    )
    return Comparison(
        comparison.parts, changed, have[0], have[1], verdict, comparison.notes, order
    )  # fmt: skip


def _enough(runs: Sequence[Run], both: bool) -> bool:
    return all(any(run.side == letter for run in runs) for letter in "AB"[: 1 + both])


def _group(
    goal: Goal, runs: Sequence[Run], motors: dict[int, tuple[MotorCauses, ...]]
) -> Group:  # fmt: skip
    a, b = ([run for run in runs if run.side == letter] for letter in "AB")
    found_a, found_b = ([figures(run, goal) for run in side] for side in (a, b))
    rows: list[Row] = []
    for measure in measures(goal):
        va, vb = (np.array([found[measure.key] for found in side]) for side in (found_a, found_b))
        if not (np.isfinite(va).all() and np.isfinite(vb).all()):
            continue  # a mean over other launches than the rest of the table would mislead
        by = difference(va, vb) if len(vb) else None
        rows.append(
            Row(measure, tuple(va.tolist()), tuple(vb.tolist()), float(va.mean()),
                float(vb.mean()) if len(vb) else None, by, None)
        )  # fmt: skip
    if b:
        corrected = adjusted(
            np.array([row.a for row in rows]).T, np.array([row.b for row in rows]).T
        )
        rows = [
            Row(r.measure, r.a, r.b, r.mean_a, r.mean_b, r.difference, float(p))
            for r, p in zip(rows, corrected, strict=True)
        ]
    return Group(
        goal, tuple(runs), tuple(rows), _causes(a, b, goal, motors),
        confounders(a, b, goal) if b else (),
    )  # fmt: skip


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


def _order_notes(order: str, both: bool, group: Group | None) -> list[str]:
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
            values = dict(zip([id(r) for r in group.side(letter)],
                              row.a if letter == "A" else row.b, strict=True))  # fmt: skip
            first, last = (
                np.array([values[id(r)] for r in group.side(letter) if r.part == number])
                for number in (numbers[0], numbers[-1])
            )
            drift = difference(first, last)
            if drift.low > 0 or drift.high < 0:
                notes.append(
                    f"Something drifted: side {letter}'s last stretch differs from its first by "
                    f"{drift.value:+.2f} {row.measure.unit} in {row.measure.label.lower()}, more "
                    "than the scatter within them.".replace("-", "−")
                )
    return notes
