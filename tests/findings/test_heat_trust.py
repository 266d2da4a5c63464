"""A small part of the heat trust bench: machines of four masses that share no equation with us.

The whole is ``python tests/trust/run.py heat``.
"""

import math

import pytest

from sagline_analyser.findings.heat.parts import ON_CASE, UNSTATED
from trust.heat_bench import conditional_cases, interval_cases
from trust.heat_cases import KINDS, HeatCase, Kind, cases_of
from trust.table import Case

FEW = 8


PLACED = [kind for kind in KINDS if kind.stated == "winding" or not kind.motor]
UNPLACED = [kind for kind in KINDS if kind.motor and not kind.stated]
ON_THE_CASE = [kind for kind in KINDS if kind.stated == "case"]


@pytest.fixture(scope="module")
def cases() -> dict[str, list[HeatCase]]:
    """Return some cases of every kind, by its name."""
    made = list(cases_of([(kind, 900 + n) for kind in KINDS for n in range(FEW)]))
    return {kind.name: [one for one in made if one.kind == kind.name] for kind in KINDS}


@pytest.mark.parametrize("kind", PLACED, ids=lambda kind: kind.name)
def test_a_stated_interval_holds_and_no_limit_is_passed_unsaid(
    kind: Kind, cases: dict[str, list[HeatCase]]
) -> None:
    told = 0
    rows = []
    for case in cases[kind.name]:
        found = case.found
        assert found.cold is not None and found.now is not None
        told += not found.reason
        rows += interval_cases(case)
        for time, truth in ((found.cold, case.cold), (found.now, case.now)):
            if not found.reason and time.below:
                assert math.isinf(truth), case
    assert told >= 5
    _holds(rows, late=0)


def test_a_time_that_rests_on_a_condition_is_told_as_one_and_holds_under_it(
    cases: dict[str, list[HeatCase]],
) -> None:
    rows = []
    for kind in UNPLACED:
        for case in cases[kind.name]:
            assert (case.found.reason and not case.found.condition) or case.found.reason == UNSTATED
            rows += conditional_cases(case)
    assert len(rows) >= 5
    _holds(rows, late=1)


@pytest.mark.parametrize("kind", ON_THE_CASE, ids=lambda kind: kind.name)
def test_from_a_sensor_on_the_case_no_time_is_told_but_what_is_known(
    kind: Kind, cases: dict[str, list[HeatCase]]
) -> None:
    holds = []
    for case in cases[kind.name]:
        found = case.found
        assert found.reason == ON_CASE and found.cold is None and found.now is None
        shown = found.on_case
        assert shown is not None
        assert case.hottest - case.sensed >= shown.hotter, case
        holds.append(shown.case.low <= case.sensed <= shown.case.high)
    assert sum(not hold for hold in holds) <= 2


def _holds(rows: list[Case], late: int) -> None:
    stated = [row for row in rows if row.told is not None]
    # From cold and from the end of one ride err together, so one bad ride is two misses.
    assert sum(not row.inside for row in stated) <= max(2, 0.2 * len(stated))
    later = [row for row in stated if row.told is not None and row.told > 1.1 * row.truth]
    assert len(later) <= late, later
