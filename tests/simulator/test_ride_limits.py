"""Which limit decided: the label against the quantities themselves, step by step."""

import itertools
from dataclasses import replace

import pytest

from sagline_logger.simulator import KESTREL, Decider, Leg, Route, Scenario, Simulation
from simulator.boards import with_limits, with_pack

LEGS = (
    Leg("flat out", 12.0, until_distance=120.0),
    Leg("hard stop", 0.0, brake=1.0, until_stopped=True),
    Leg("up", 8.0, seconds=25.0),
    Leg("hard stop", 0.0, brake=1.0, until_stopped=True),
)
ROUTE = Route(((0.0, 0.0), (140.0, 0.0), (160.0, 0.07)))


def watch(board, **scenario):
    """Ride and return per label the (drive, machine) readings of every step it decided."""
    usual = {"name": "limits", "legs": LEGS, "route": ROUTE, "charge": 0.5}
    simulation = Simulation(board=board, scenario=Scenario(**{**usual, **scenario}))
    machine = simulation.machine
    seen = {}
    steps = simulation._ride()  # one step at a time: transmissions are rarer than steps
    for _ in steps:
        for drive in machine.drives:
            seen.setdefault(drive.limit, []).append(
                {
                    "current": drive.current,
                    "request": drive.request,
                    "duty": drive.duty,
                    "battery": drive.battery_current,
                    "winding": drive.winding_temperature,
                    "cells": machine.pack.cell_voltages(),
                }
            )
    return simulation, seen


@pytest.fixture(scope="module")
def ride():
    return watch(KESTREL)


# Numbers are Kestrel's limits as its parameters state them.  Battery quantities follow the pack
# voltage of the step before, hence the tolerance.
@pytest.mark.parametrize(
    ("limit", "quantity", "value", "tolerance"),
    [
        (Decider.MOTOR_CURRENT, "current", 45.0, 1e-9),
        (Decider.BRAKE_CURRENT, "current", -30.0, 1e-9),
        (Decider.BATTERY_CURRENT, "battery", 20.0, 0.2),
        (Decider.CHARGE_CURRENT, "battery", -12.0, 0.2),
        (Decider.DUTY_CEILING, "duty", 0.95, 0.002),
    ],
)
def test_the_named_limit_is_at_its_bound(ride, limit, quantity, value, tolerance):
    found = [step[quantity] for step in ride[1][limit]]
    assert len(found) > 20
    assert found == pytest.approx([value] * len(found), abs=tolerance)


def test_a_limited_current_is_less_than_was_asked_for_and_an_unlimited_one_equal(ride):
    for limit, steps in ride[1].items():
        for step in steps:
            if limit is Decider.NONE:
                assert step["current"] == step["request"]
            else:
                assert abs(step["current"]) < abs(step["request"])


def test_no_step_breaks_a_limit(ride):
    for step in (step for steps in ride[1].values() for step in steps):
        assert -30.0 <= step["current"] <= 45.0
        assert -12.2 <= step["battery"] <= 20.2
        assert -1.0 <= step["duty"] <= 0.95


def test_the_record_of_changes_tells_the_limit_of_every_step(ride):
    simulation, seen = ride
    for motor in (1, 2):
        changes = [one for one in simulation.limit_changes if one.motor == motor]
        assert all(a.limit is not b.limit for a, b in itertools.pairwise(changes))
        assert all(a.time < b.time for a, b in itertools.pairwise(changes))
    ends = {1: simulation.time + simulation.step, 2: simulation.time + simulation.step}
    steps = dict.fromkeys(Decider, 0)
    for change in reversed(simulation.limit_changes):
        steps[change.limit] += (ends[change.motor] - change.time) // simulation.step
        ends[change.motor] = change.time
    steps[Decider.NONE] -= 2  # the state before the first step, once a motor
    assert {limit: count for limit, count in steps.items() if count} == {
        limit: len(found) for limit, found in seen.items()
    }


def test_a_hot_motor_derates_and_says_so():
    board = with_limits(KESTREL, motor_temperature=replace_ramp(15.0, 95.0))
    _, seen = watch(board)
    steps = seen[Decider.MOTOR_TEMPERATURE]
    assert len(steps) > 100
    for step in steps:
        # A straight line from 45 A at 15 °C to nothing at 95 °C.
        allowed = (95.0 - step["winding"]) / 80.0
        # The bound was set up to 50 ms ago.
        assert abs(step["current"]) in (
            pytest.approx(45.0 * allowed, abs=0.1),
            pytest.approx(30.0 * allowed, abs=0.1),
        )


def replace_ramp(start, stop):
    ramp = KESTREL.drives[0].controller.limits.motor_temperature
    return replace(ramp, start=start, stop=stop)


def test_a_low_pack_derates_and_the_weak_cell_then_cuts_the_drive():
    board = with_pack(KESTREL, weak_resistance=1.8)
    simulation, seen = watch(board, charge=0.165)
    low, cut = seen[Decider.LOW_VOLTAGE], seen[Decider.FAULT]
    assert all(step["battery"] < 20.05 for step in low)
    assert min(step["battery"] for step in low) < 19.0
    assert all(step["current"] == 0.0 for step in cut)
    # It was cell 7, alone, below Kestrel's 2.70 V for the half second before.
    first = next(one.time for one in simulation.limit_changes if one.limit is Decider.FAULT)
    assert first > 0
    final = low[-100:]  # two motors, 50 steps of 5 ms
    assert all(step["cells"][6] < 2.71 for step in final)
    assert all(min(step["cells"][:6] + step["cells"][7:]) > 2.9 for step in final)


def test_a_full_pack_refuses_charge():
    _, seen = watch(KESTREL, charge=0.995)
    steps = seen[Decider.HIGH_VOLTAGE]
    assert len(steps) > 20
    assert all(step["battery"] > -12.0 for step in steps)
    assert max(step["battery"] for step in steps) > -8.0


def test_one_motor_will_do():
    board = replace(KESTREL, drives=KESTREL.drives[:1])
    simulation, seen = watch(board)
    assert {one.motor for one in simulation.limit_changes} == {1}
    assert Decider.MOTOR_CURRENT in seen
