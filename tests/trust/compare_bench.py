"""The comparison of two settings against vehicles whose truth is known: intervals, false verdicts,
power."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from sagline_analyser.compare.comparison import TYPICAL, Comparison, compare
from sagline_analyser.compare.plan import Plan, plan
from sagline_analyser.compare.sides import split

from .table import Case, Event, event_table, interval_table
from .vehicles import FAMILIES, Set, Shift, ride_set

KEYS = tuple(TYPICAL)

SHIFTS = {
    "B rolls on 0.4 s slower": Shift(roll_on=0.4),
    "B opens the throttle 6 % less": Shift(level=-0.06),
    "B rides up 0.6 % more": Shift(rise=0.006),
    "B rides against 2.5 m/s of wind": Shift(wind=2.5),
    "B carries 5 % more": Shift(load=0.05),
}
"""What side B has that is no setting."""


@dataclass(frozen=True)
class Kind:
    """One kind of test: which limit is changed on B by what factor, and how it is ridden."""

    name: str
    setting: str = "motor"
    factor: float = 1.0
    motor_limited: bool = False
    stated: bool = True
    launches: int = 6
    order: str = "ABBA"
    shift: Shift | None = None
    claimed: float = 1.0
    part: float = 1.0
    """Share of the cases asked for."""


INTERVALS = (
    Kind("nothing differs"),
    Kind("motor current +10 %, motor-limited", factor=1.1, motor_limited=True),
    Kind("motor current +10 %", factor=1.1),
    Kind(
        "motor current +10 %, not stated", factor=1.1, motor_limited=True, stated=False, part=0.25
    ),
    Kind("battery current +10 %", setting="battery", factor=1.1, part=0.25),
    Kind("motor current +1 %", factor=1.01, part=0.25),
)


def ridden(kind: Kind, family: str, seed: int) -> tuple[Set, Comparison]:
    """Ride one case and compare it."""
    own = ride_set(
        family,
        seed,
        kind.setting,
        kind.factor,
        kind.launches,
        kind.order,
        kind.motor_limited,
        kind.shift,
        stated=kind.stated,
        claimed=kind.claimed,
    )
    found = compare(split([(ride, None) for ride in own.rides], sides=kind.order))
    return own, found


def cases_of(kind: Kind, family: str, seed: int, own: Set, found: Comparison) -> Iterator[Case]:
    """Yield one case for each measure whose difference was stated."""
    goal = found.main.goal.high
    for row in found.main.rows:
        by = row.difference
        assert by is not None
        # Of the size of A's figure, so that measures can be read side by side.
        whole = row.mean_a
        truth = own.truth(row.measure.key, goal)
        yield Case(
            f"{row.measure.key}, {kind.name}",
            family,
            seed,
            100 * truth / whole,
            100 * by.value / whole,
            100 * by.low / whole,
            100 * by.high / whole,
            "%",
        )


@dataclass
class Verdicts:
    """Counts of one kind and family."""

    kind: str
    family: str
    outcomes: list[str]
    finds: list[float]
    expected: list[float]
    sizes: list[float]


Rows = dict[str, list[Case] | list[Verdicts] | list[Event]]


def rows(
    cases: int,
    seed: int,
    kinds: Sequence[Kind] = INTERVALS,
    families: Sequence[str] = FAMILIES,
) -> Rows:
    """Return the rows; ``cases`` of each kind on each family, a sixteenth of it of each shift."""
    intervals: list[Case] = []
    counted: list[Verdicts] = []
    for kind in kinds:
        for family in families:
            own = Verdicts(kind.name, family, [], [], [], [])
            for at in range(seed, seed + max(1, round(kind.part * cases))):
                ride, found = ridden(kind, family, at)
                intervals += cases_of(kind, family, at, ride, found)
                _count(own, ride, found, plan(kind.order, kind.launches, electric=kind.stated))
            counted.append(own)
    events = [
        Event(
            f"better or worse: {name}{', +10 % stated' * (claimed > 1)}",
            family,
            at,
            False,
            found.verdict.outcome in ("better", "worse"),
        )
        for name, shift in SHIFTS.items()
        for claimed in (1.0, 1.1)
        for family in families
        for at in range(seed, seed + max(1, cases // 16))
        for _, found in [ridden(Kind(name, shift=shift, claimed=claimed), family, at)]
        if found.verdict is not None
    ]
    return {"intervals": intervals, "verdicts": counted, "events": events}


def tables_of(found: Rows) -> list[tuple[str, str]]:
    """Return the tables of :func:`rows`."""
    return [
        (
            "Difference of two settings, in % of A's figure; A, B, B, A of six launches",
            interval_table([c for c in found["intervals"] if isinstance(c, Case)], relative=False),
        ),
        ("Verdicts", _verdict_table([v for v in found["verdicts"] if isinstance(v, Verdicts)])),
        (
            "Not the setting, and credited with it",
            event_table([e for e in found["events"] if isinstance(e, Event)]),
        ),
    ]


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the tables of ``cases`` of each kind on each family, from ``seed`` on."""
    return tables_of(rows(cases, seed))


def _count(own: Verdicts, ride: Set, found: Comparison, before: Plan) -> None:
    verdict, row = found.verdict, found.main.row("time_to_speed")
    assert verdict is not None and verdict.finds is not None
    own.outcomes.append(str(verdict.outcome))
    own.finds.append(verdict.finds)
    size = abs(ride.truth("time_to_speed", found.main.goal.high) / row.mean_a)
    own.sizes.append(size)
    own.expected.append(before.chance(size))


def _verdict_table(counted: Sequence[Verdicts]) -> str:
    lines = [
        "| kind | family | cases | true effect | better | worse | no difference that matters | "
        "cannot tell | found, printed beforehand | smallest found, printed after |",
        "|---|---|---:|---:|---:|---:|---:|---:|---:|---:|",
    ]
    whole: dict[tuple[str, str], Verdicts] = {}
    for part in counted:
        own = whole.setdefault(
            (part.kind, part.family), Verdicts(part.kind, part.family, [], [], [], [])
        )
        own.outcomes += part.outcomes
        own.finds += part.finds
        own.expected += part.expected
        own.sizes += part.sizes
    for own in whole.values():
        count = len(own.outcomes)
        shares = [
            f"{100 * own.outcomes.count(word) / count:.1f} %"
            for word in ("better", "worse", "no difference that matters", "cannot tell")
        ]
        lines.append(
            f"| {own.kind} | {own.family} | {count} | {100 * np.median(own.sizes):.1f} % | "
            f"{' | '.join(shares)} | {100 * np.mean(own.expected):.0f} % | "
            f"{100 * np.median(own.finds):.1f} % |"
        )
    return "\n".join(lines)
