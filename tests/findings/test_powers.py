"""Three ways to one current: where one disagrees with the other two, it is the one named."""

import re

import numpy as np
import pytest

from sagline_analyser.findings.basis import open_basis
from sagline_analyser.load.ride import Ride
from support.rides import channel, make_ride, make_stream

TIME = np.arange(0, 300, 0.05)
PERIOD = 0.05


def _ride(motors: int, controllers: bool, wrong: dict[str, float], alike: bool = False) -> Ride:
    """Return a ride of ``motors`` that push and let go, each at its own times unless ``alike``;
    ``wrong`` is the factor of a column's readings."""
    luck = np.random.default_rng(5)
    columns, total = {}, np.full(len(TIME), 0.3)

    def told(name: str, index: int, value: np.ndarray) -> None:
        key = f"{name}_{index}" if index else name
        noisy = value * wrong.get(key, 1.0) + luck.normal(0, 0.1, len(TIME))
        columns[channel(name, "A", index, -1)] = noisy

    for m in range(1, motors + 1):
        phase = 0.0 if alike else 1.7 * m
        current = 60 * np.clip(np.sin(TIME / 2 + phase), 0, 1)
        duty = 0.5 + 0.3 * np.sin(TIME / 11)
        drawn = 1.03 * current * duty
        told("motor_current", m, current)
        columns[channel("duty_cycle", "1", m, -3)] = duty
        if controllers:
            told("controller_battery_current", m, drawn)
        total = total + drawn
    told("battery_current", 0, total)
    return make_ride(make_stream("fast", TIME, columns, period=PERIOD))


def _named(ride: Ride) -> list[tuple[str, str]]:
    return [(doubt.key, doubt.doubt) for doubt in open_basis(ride).sensors]


@pytest.mark.parametrize("motors", [1, 2])
@pytest.mark.parametrize("controllers", [True, False])
def test_currents_that_add_up_are_sound(motors, controllers):
    assert _named(_ride(motors, controllers, {})) == []


@pytest.mark.parametrize("motors", [1, 2])
def test_a_motor_current_at_half_is_told_by_the_two_others(motors):
    key = f"motor_current_{motors}"
    ride = _ride(motors, True, {key: 0.5})
    assert _named(ride) == [(key, "not the motors' power")]
    (doubt,) = open_basis(ride).sensors
    assert "2.06 times" in doubt.evidence
    assert "the battery current agrees with the controllers'" in doubt.evidence


def test_a_battery_current_at_half_is_told_by_the_two_others():
    (doubt,) = open_basis(_ride(2, True, {"battery_current": 0.5})).sensors
    assert doubt.key == "battery_current"
    assert "0.50 times what the controllers drew" in doubt.evidence


def test_a_controllers_current_at_half_is_told_by_the_two_others():
    wrong = {"controller_battery_current_1": 0.5, "controller_battery_current_2": 0.5}
    assert _named(_ride(2, True, wrong)) == [(key, "not the motors' power") for key in wrong]


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_motors_that_work_at_other_times_tell_which_current_is_wrong(factor):
    ride = _ride(2, False, {"motor_current_2": factor})
    assert _named(ride) == [("motor_current_2", "not the motors' power")]
    (doubt,) = open_basis(ride).sensors
    told = re.search(r"drew (\d\.\d\d) times", doubt.evidence)
    assert told is not None
    assert float(told[1]) == pytest.approx(1.03 / factor, abs=0.02)


def test_motors_that_work_alike_do_not_tell_which_current_is_wrong():
    assert _named(_ride(2, False, {"motor_current_2": 0.5}, alike=True)) == []
