"""A few of the bench's cases in every run; ``python tests/trust/run.py compare`` has all."""

import pytest

from trust.compare_bench import INTERVALS, SHIFTS, Kind, cases_of, ridden
from trust.vehicles import FAMILIES

FEW = 2


@pytest.mark.parametrize("family", FAMILIES)
def test_equal_settings_are_not_told_apart_and_intervals_hold(family: str) -> None:
    held, told = [], 0
    for seed in range(901, 901 + FEW):
        own, found = ridden(INTERVALS[0], family, seed)
        held += [case.inside for case in cases_of(INTERVALS[0], family, seed, own, found)]
        assert found.verdict is not None
        told += found.verdict.outcome in ("better", "worse")
    # At 90 %, and measures of one ride that go together.
    assert told == 0 and sum(held) >= 0.7 * len(held)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("kind", [INTERVALS[1], INTERVALS[3]], ids=lambda kind: kind.name)
def test_a_tenth_more_motor_current_is_found_where_nothing_else_limits(
    kind: Kind, family: str
) -> None:
    outcomes = []
    for seed in range(901, 901 + FEW):
        own, found = ridden(kind, family, seed)
        assert found.verdict is not None
        outcomes.append(str(found.verdict.outcome))
        (case,) = [
            c
            for c in cases_of(kind, family, seed, own, found)
            if c.what.startswith("time_to_speed")
        ]
        assert abs(case.told - case.truth) < 0.5 * abs(case.truth)
    assert outcomes.count("better") >= FEW - 1 and "worse" not in outcomes


@pytest.mark.parametrize("name", SHIFTS)
def test_what_is_no_setting_is_not_credited(name: str) -> None:
    _, found = ridden(Kind(name, shift=SHIFTS[name]), "board", 901)
    assert found.verdict is not None and found.verdict.outcome not in ("better", "worse")
