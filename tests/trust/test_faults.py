"""A few of the bench's faults in every run; ``python tests/trust/run.py faults`` has all."""

import pytest

from trust.fault_rides import KINDS, fault_ride
from trust.faults_bench import each, told

CLEAR = (
    "low voltage, controller stops",
    "power lead pulled",
    "loose contact, then a cut",
    "controller stops by itself",
    "link lost",
    "motor speed drops to zero, controller stops",
)


@pytest.mark.parametrize("kind", CLEAR)
def test_the_cause_told_is_the_one_put_there(kind: str) -> None:
    assert kind in KINDS
    found = list(each(1, 901, (kind,)))
    assert [(one.found, one.verdict) for one in found] == [(True, "right")]


@pytest.mark.parametrize("cut", ["controller stops", "a fault is reported"])
def test_a_sensor_that_jumps_is_never_a_hot_motor(cut: str) -> None:
    made = next(
        x
        for seed in range(901, 930)
        if (x := fault_ride(f"temperature sensor jumps, {cut}", seed)) is not None
    )
    one = told(made)
    assert one.found and one.first != "motor_hot" and one.verdict != "wrong"
    assert one.sure != "likely", "which reading the controller acts on is not in the log"


def test_where_nothing_happens_nothing_is_told() -> None:
    for one in each(1, 901, ("nothing", "rider lets go")):
        assert one.first == "" and one.elsewhere == 0
