"""Rides that follow a speed trace exactly: EPA's UDDS as FASTSim ships it."""

import warnings
from dataclasses import replace

import numpy as np
import pytest

from sagline_logger.format import SaglineError
from sagline_logger.simulator import (
    KESTREL,
    Decider,
    Route,
    Scenario,
    Simulation,
    SpeedTrace,
    read_trace,
    trace_scenario,
)
from simulator import wire
from simulator.boards import with_limits, with_pack
from support.late import late
from support.ledger import vehicle_imbalance

fastsim = late("fastsim")

SECONDS = 130


@pytest.fixture(scope="module")
def udds():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        cycle = fastsim.Cycle.from_resource("udds.csv").to_pydict()
    times, speeds = cycle["time_seconds"], cycle["speed_meters_per_second"]
    return list(zip(times, speeds, strict=True))[: SECONDS + 1]


def ridden(points, board=KESTREL, **scenario):
    simulation = Simulation(
        board=board, scenario=Scenario("trace", trace=SpeedTrace(tuple(points)), **scenario)
    )
    data = b"".join(one.data for one in simulation.run())
    fast = wire.descriptions(data)["fast"]
    rows = [row for _, _, row in wire.samples(data, 1)]
    return simulation, fast, rows


@pytest.fixture(scope="module")
def ride(udds):
    return ridden(udds)


def test_every_speed_sample_is_the_trace_to_the_quantum(udds, ride):
    # Source: EPA's schedule, interpolated by NumPy.  1 mm/s is the channel's quantum.
    _, fast, rows = ride
    column = fast.column("speed")
    times, speeds = np.array(udds).T
    expected = np.interp(np.arange(len(rows)) * 0.01, times, speeds)
    assert len(rows) == SECONDS * 100 + 1
    assert max(speeds) > 10.0
    found = np.array([row[column] for row in rows])
    assert np.max(np.abs(found - expected * 1000.0)) <= 0.5 + 1e-6
    assert found[::100].tolist() == [round(speed * 1000.0) for _, speed in udds]


def test_the_energy_of_the_trace_is_its_road_load(udds, ride):
    # Road-load equation of vehicle textbooks, integrated by NumPy over the trace at 20 °C,
    # ρ = 1.2041 kg/m³ (tables).
    ledger = ride[0].ledger
    times, speeds = np.array(udds).T
    fine = np.interp(np.arange(0.0, SECONDS, 0.01), times, speeds)
    air = 0.5 * 1.2041 * 0.85 * np.sum(fine**3) * 0.01
    rolling = 0.010 * 265.0 * 9.80665 * np.sum(fine) * 0.01
    assert ledger.air == pytest.approx(air, rel=1e-3)
    assert ledger.rolling == pytest.approx(rolling, rel=1e-3)
    assert abs(vehicle_imbalance(ledger)) < 1e-3 * (ledger.battery + ledger.towed)


def test_limits_hold_although_the_speed_is_imposed(ride):
    # EPA's passenger-car speeds are beyond this trike; the rope pulls what its limits refuse.
    simulation, fast, rows = ride
    column = fast.column("motor_current", 1)
    current = [fast.channels[column].value(row[column]) for row in rows]
    assert max(current) < 45.0 + 1.0  # 5σ of noise
    assert simulation.ledger.towed > 1000.0
    assert {one.limit for one in simulation.limit_changes} >= {
        Decider.BATTERY_CURRENT,
        Decider.DUTY_CEILING,
    }


def test_a_board_that_can_follow_is_not_towed(udds):
    # A third of EPA's speeds is a cargo trike's.
    slow = [(time, speed / 3.0) for time, speed in udds[:61]]
    board = with_limits(KESTREL, motor_current=90.0, battery_current=29.0)
    simulation, fast, rows = ridden(slow, board=with_pack(board, weak_cell=None), charge=0.9)
    ledger = simulation.ledger
    assert ledger.towed < 1e-6  # rounding
    assert ledger.battery > 1000.0
    throttle = fast.column("throttle")
    assert max(row[throttle] for row in rows) > 20  # percent, in steps of 0.5


def test_current_is_what_newton_asks_for():
    # F = λ·m·a + c·m·g·cosθ + ½ρcdA·v² + m·g·sinθ at a steady climb and steady acceleration.
    points = ((0.0, 2.0), (4.0, 4.0))
    simulation, fast, rows = ridden(points, route=Route(((0.0, 0.03),)), charge=0.8)
    at = 200  # 2 s: v = 3 m/s, a = 0.5 m/s²
    grip = 265.0 * 9.80665
    force = (
        1.04 * 265.0 * 0.5
        + 0.010 * grip * np.sqrt(1 - 0.03**2)
        + 0.5 * 1.2041 * 0.85 * 9.0
        + 0.03 * grip
    )
    motor, wheel = KESTREL.drives[0].motor, KESTREL.drives[0].wheel
    turning = 3.0 / 0.254 * 5.2
    torque = force / 2.0 * 0.254 / 5.2 / wheel.gear_efficiency
    expected = (torque + motor.static_drag + motor.speed_drag * turning) / motor.torque_constant
    column = fast.column("motor_current", 1)
    current = [fast.channels[column].value(row[column]) for row in rows[at - 20 : at + 21]]
    assert np.mean(current) == pytest.approx(expected, abs=0.2)  # 0.20 A noise over √41, 5σ
    assert simulation.machine.speed == 4.0


def test_braking_along_a_trace_charges_first_and_rubs_for_the_rest():
    points = ((0.0, 0.0), (6.0, 6.0), (8.0, 0.0), (9.0, 0.0))
    simulation, fast, rows = ridden(points)
    column = fast.column("battery_current")
    current = [fast.channels[column].value(row[column]) for row in rows]
    ledger = simulation.ledger
    assert min(current[610:700]) < -15.0
    assert ledger.friction_brake > 500.0
    assert simulation.machine.speed == 0.0
    assert abs(vehicle_imbalance(ledger)) < 2e-3 * (ledger.battery + ledger.friction_brake)


def test_a_trace_can_be_read_from_a_file(tmp_path):
    file = tmp_path / "trace.csv"
    file.write_text("# seconds, m/s\n0, 0\n\n1.5,3 # faster\n4 0\n", encoding="utf-8")
    assert read_trace(file).points == ((0.0, 0.0), (1.5, 3.0), (4.0, 0.0))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("0,0\n1,fast\n", "line 2 is not a time and a speed"),
        ("0,0\n1,2,3\n", "line 2"),
        ("0,0\n", "two points"),
        ("1,0\n2,0\n", "from 0 s"),
        ("0,0\n2,1\n1,1\n", "rising times"),
        ("0,0\n1,-1\n", "backwards"),
        ("0,0\n1,nan\n", "backwards"),
        ("", "two points"),
    ],
)
def test_a_trace_that_is_none_is_refused(tmp_path, text, words):
    file = tmp_path / "trace.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(SaglineError, match=words) as caught:
        read_trace(file)
    assert str(caught.value).startswith(str(file))


def test_a_ride_needs_legs_or_a_trace():
    with pytest.raises(SaglineError, match="legs or a speed trace"):
        Scenario("nothing")
    with pytest.raises(SaglineError, match="legs or a speed trace"):
        replace(trace_scenario(((0, 0), (1, 1))), legs=(object(),))
