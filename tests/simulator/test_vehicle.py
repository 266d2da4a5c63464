"""Motion against closed forms of mechanics."""

import math

import numpy as np
import pytest

from sagline_logger.format import SaglineError
from sagline_logger.simulator import BREAD_RUN, KESTREL, Route
from simulator.boards import frictionless, machine, run

GRAVITY = 9.80665
MASS = 265.0
INERTIA = 265.0 * 1.04
DENSITY = 1.225  # ISO 2533 at 15 °C


def constant_force(subject, throttle: float) -> float:
    """Force in N of both motors at a current that no limit touches: Kt·I·i/r each."""
    current = throttle * 50.0
    return sum(
        drive.drive.motor.torque_constant * current * 5.2 / 0.254 for drive in subject.drives
    )


def test_terminal_speed_is_where_drag_equals_drive():
    # Balance of forces: v = sqrt((F − c·m·g) / (½·ρ·cdA)).
    subject = machine(frictionless(rolling_coefficient=0.012, drag_area=6.0))
    run(subject, 150.0, throttle=0.2)
    left = constant_force(subject, 0.2) - 0.012 * MASS * GRAVITY
    assert subject.speed == pytest.approx(math.sqrt(left / (0.5 * DENSITY * 6.0)), rel=2e-4)
    assert {str(drive.limit) for drive in subject.drives} == {"none"}


def test_acceleration_against_square_drag_is_the_hyperbolic_tangent():
    # Mechanics textbooks: v = v_∞·tanh(k·v_∞·t/m) under constant force and drag k·v².
    subject = machine(frictionless(drag_area=6.0))
    for drive in subject.drives:
        drive.request = 10.0  # no throttle ramp, which the closed form does not know
    run(subject, 6.0, throttle=0.2)
    force, drag = constant_force(subject, 0.2), 0.5 * DENSITY * 6.0
    final = math.sqrt(force / drag)
    expected = final * math.tanh(drag * final * 6.0 / INERTIA)
    assert 0.3 * final < expected < 0.95 * final
    assert subject.speed == pytest.approx(expected, rel=1e-3)


def test_coasting_down_is_the_tangent():
    # The closed form behind coast-down tests: m·dv/dt = −(a + b·v²).
    subject = machine(frictionless(rolling_coefficient=0.012, drag_area=0.9))
    subject.launch(8.0)
    run(subject, 30.0)
    a, b = 0.012 * MASS * GRAVITY, 0.5 * DENSITY * 0.9
    scale = math.sqrt(a / b)
    expected = scale * math.tan(math.atan(8.0 / scale) - math.sqrt(a * b) / INERTIA * 30.0)
    assert subject.speed == pytest.approx(expected, rel=1e-3)


def test_rolling_downhill_without_resistance_turns_height_into_speed():
    # Energy conservation: m·g·h = ½·λ·m·v².
    subject = machine(frictionless(), rise=-0.05)
    run(subject, 20.0)
    height = 0.05 * subject.distance
    assert height > 3.0
    assert subject.speed == pytest.approx(math.sqrt(2.0 * GRAVITY * height / 1.04), rel=1e-4)


def test_it_stands_on_a_hill_and_does_not_roll_back():
    subject = machine(KESTREL, rise=0.08)
    run(subject, 5.0, brake=0.4)
    run(subject, 2.0)
    assert (subject.speed, subject.distance) == (0.0, 0.0)


def test_it_starts_uphill_only_with_more_force_than_weight_and_rolling():
    rise, rolling = 0.06, 0.012
    needed = MASS * GRAVITY * (rise + rolling * math.sqrt(1.0 - rise * rise))
    full = constant_force(machine(frictionless()), 1.0)
    for share, moves in ((0.99, False), (1.02, True)):
        subject = machine(frictionless(rolling_coefficient=rolling), rise=rise)
        run(subject, 3.0, throttle=share * needed / full)
        assert (subject.speed > 0.0) is moves


def test_hard_braking_decelerates_by_the_brake_force():
    # Newton: v falls by F/m·t; friction brake alone, at full lever, no motor braking.
    board = frictionless(motor_brake_travel=1e9)
    subject = machine(board)
    subject.launch(8.0)
    run(subject, 1.0, brake=1.0)
    assert subject.speed == pytest.approx(8.0 - 1300.0 / INERTIA, rel=1e-3)


def test_height_is_the_integral_of_the_rise():
    route = BREAD_RUN.route
    grid = np.linspace(0.0, 4100.0, 41_001)
    rises = [route.rise(distance) for distance in grid]
    for distance in (430.0, 1234.5, 3000.0, 4100.0):
        part = grid <= distance
        expected = np.trapezoid(np.asarray(rises)[part], grid[part])
        assert route.height(distance) == pytest.approx(expected, abs=2e-3)


def test_the_bread_route_ends_at_the_height_it_began():
    assert BREAD_RUN.route.height(4000.0) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("points", [(), ((0.0, 0.0), (0.0, 0.1)), ((0.0, 1.0),)])
def test_an_impossible_route_is_refused(points):
    with pytest.raises(SaglineError, match="route"):
        Route(points)
