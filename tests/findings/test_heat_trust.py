"""A small part of the heat trust bench: machines of four masses that share no equation with us.

The whole is ``python tests/trust/run.py heat``.
"""

import math
import re
from dataclasses import replace

import pytest

from sagline_analyser.findings.heat.answer import heat_answer
from sagline_analyser.findings.heat.parts import (
    ON_CASE,
    UNSTATED,
    PartHeat,
    _no_later,
    part_heat,
)
from sagline_analyser.findings.heat.times import TimeToLimit, settling
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.findings.telling.answer import Answer
from trust.heat_bench import conditional_cases, interval_cases
from trust.heat_cases import KINDS, MOUNTED, HeatCase, Kind, _make, cases_of
from trust.table import Case

FEW = 8
INF = math.inf


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


def _of_some_minutes(seed: int) -> tuple[PartHeat, Answer]:
    kind = next(kind for kind in KINDS if kind.name.startswith("winding, cold"))
    made = _make([(kind, seed)])
    it = Gathered(made[0].ride, made[0].board)
    return part_heat(it, made[0].key), heat_answer(it)


def test_what_is_only_not_ruled_out_is_no_time_that_parts_take() -> None:
    """A ride of seven minutes: an hour's rise is told with its interval, no limit beyond that
    interval is said to be reached by one part in twenty, and what is not ruled out comes first."""
    found, answer = _of_some_minutes(44273)
    assert found.cold is not None and found.now is not None and found.settles is not None
    assert found.settles.high < 71 and not found.cold.sure and not found.now.sure
    least = r"stay below 71 °C for \d+ min \d+ s at least, and most likely for an hour, from cold"
    assert re.search(least, answer.verdict), answer.verdict
    assert [figure.label.rpartition(": ")[2] for figure in answer.figures] == [
        "the soonest not ruled out"
    ] * 2


def test_a_mass_that_warms_slowly_does_not_show_in_six_minutes() -> None:
    """The motor's own network is at its limit after 1786 s, far later than the ride lasted.  It was
    once said to stay below; an hour is not told now, though the time is too late even so."""
    found, answer = _of_some_minutes(44295)
    assert found.cold is not None and not found.cold.below and found.cold.seconds < 3600
    assert "for an hour" not in answer.verdict


def _mounted(name: str, seed: int) -> tuple[HeatCase, str]:
    kind = next(kind for kind in MOUNTED if kind.name == name)
    made = _make([(kind, seed)])
    words = heat_answer(Gathered(made[0].ride, made[0].board)).details
    return next(iter(cases_of([(kind, seed)]))), " ".join(words)


def test_a_warm_machine_does_not_take_its_own_warmth_for_the_air() -> None:
    """No thermometer for the air, and the ride begins warm: told times are not later than the
    network's own in the air that is named, which is what the lowest reading was."""
    for seed in range(202002, 202008):
        case, words = _mounted("mounted motor, warm, air unmeasured", seed)
        assert case.found.model is not None and not case.found.model.measured
        assert "colder air is allowed for" in words
        for time, truth in ((case.found.cold, case.cold), (case.found.now, case.now)):
            assert time is not None and (time.seconds <= 1.1 * truth or not time.sure), seed


def test_a_rise_beyond_the_rides_length_allows_for_what_a_motor_is_screwed_to() -> None:
    """The hour's warm end lies farther above its middle the shorter the ride was."""
    case, _ = _mounted("mounted motor, cold", 202001)
    model = case.found.model
    assert model is not None and case.found.current is not None
    judged = case.found.current, 200.0, case.found.air, case.found.speed
    long, short = (
        settling(replace(model, seconds=seconds), *judged) for seconds in (3600.0, 300.0)
    )
    assert long.likely == short.likely
    assert short.high - short.likely > 2 * (long.high - long.likely)


def test_the_end_of_a_ride_is_no_better_a_start_than_cold() -> None:
    early, late = TimeToLimit(300.0, 500.0, 300.0, 900.0), TimeToLimit(400.0, 600.0, 400.0, 800.0)
    open_, below = TimeToLimit(200.0, INF, 200.0, INF, sure=False), TimeToLimit(INF, INF, INF, INF)
    assert _no_later(early, late) == TimeToLimit(300.0, 500.0, 300.0, 800.0)
    assert _no_later(late, early) == TimeToLimit(300.0, 500.0, 300.0, 800.0)
    # A time that parts take stands before one that is only not ruled out, whichever is less.
    assert _no_later(early, open_) == early and _no_later(open_, early) == early
    assert _no_later(below, open_) == open_ and _no_later(open_, below) == open_
    assert _no_later(below, below).below and not open_.below
