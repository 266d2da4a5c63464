"""A small part of the bench of "What held it back?": vehicles that were once told wrongly.

Truth: which limit the model of ``limits_models`` had at work, by laws that are none of ours.
"""

import pytest

from sagline_analyser.findings.drive.held_back import held_back
from sagline_analyser.findings.readings.gathered import Gathered
from trust.limits_bench import right_share, seconds_by_cause
from trust.limits_models import limits_rides, vehicle

ONCE_WRONG = {
    45: "a hand a little below full",
    116: "a battery current that is full below where a cut would begin",
    180: "a hand a little below full, two motors",
    1092: "heat that takes too little to show a line",
}


@pytest.fixture(scope="module")
def made():
    rides = limits_rides([vehicle(seed) for seed in ONCE_WRONG], 60.0)
    return {one.vehicle.seed: one for one in rides}


@pytest.mark.parametrize("seed", ONCE_WRONG, ids=ONCE_WRONG.values())
def test_what_decided_is_told_right(made, seed):
    seconds = seconds_by_cause(made[seed], held_back(Gathered(made[seed].ride)))
    assert sum(seconds.values()) > 5.0
    assert right_share(seconds) > 0.85
