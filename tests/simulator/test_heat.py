"""Temperatures against closed forms and SciPy's integrator."""

import math

import numpy as np
import pytest
import scipy

from sagline_logger.simulator import KESTREL
from sagline_logger.simulator.heat import warm, warm_two
from sagline_logger.simulator.parameters import HeatNode
from simulator.boards import frictionless, machine, run


@pytest.mark.parametrize("seconds", [10.0, 300.0, 3000.0])
def test_a_heat_step_follows_the_first_order_response(seconds):
    # Heat transfer textbooks: T = T_s + P/G·(1 − exp(−G·t/C)).
    temperature = 20.0
    for _ in range(round(seconds / 0.05)):
        temperature = warm(temperature, 60.0, 20.0, 900.0, 1.5, 0.05)
    expected = 20.0 + 60.0 / 1.5 * (1.0 - math.exp(-1.5 * seconds / 900.0))
    assert temperature == pytest.approx(expected, abs=1e-6)


def test_two_nodes_follow_scipy_on_the_same_equations():
    winding, case = HeatNode(230.0, 1.5), HeatNode(900.0, 0.6, 0.06)

    def slopes(_, state):
        between = 1.5 * (state[0] - state[1])
        return [
            (80.0 - between) / 230.0,
            (20.0 + between - (0.6 + 0.06 * 5.0) * (state[1] - 24.0)) / 900.0,
        ]

    state = (24.0, 24.0)
    for _ in range(round(400.0 / 0.05)):
        state = warm_two(*state, 80.0, 20.0, 24.0, (winding, case), 5.0, 0.05)
    expected = scipy.integrate.solve_ivp(slopes, (0.0, 400.0), [24.0, 24.0], rtol=1e-9).y[:, -1]
    assert state == pytest.approx(expected, abs=0.02)
    assert state[0] > state[1] + 20.0


def test_the_heat_in_a_motor_is_its_copper_loss_while_none_has_left():
    # First law: C·ΔT = ∫I²R dt.  Held against a wall, so no iron loss; 4 s is short against
    # the winding's 150 s, and the rest is in the case.
    subject = machine(frictionless(), rise=0.9)
    run(subject, 4.0, throttle=0.5)
    drive = subject.drives[0]
    assert subject.speed == 0.0
    stored = 230.0 * (drive.winding_temperature - 15.0) + 900.0 * (drive.case_temperature - 15.0)
    assert drive.current == pytest.approx(25.0)
    assert stored == pytest.approx(drive.copper * subject.step, rel=2e-3)
    assert stored == pytest.approx(25.0**2 * 0.140 * 4.0, rel=0.05)


def test_a_stopped_board_cools_to_the_air():
    subject = machine(KESTREL)
    drive = subject.drives[1]
    drive.winding_temperature = drive.case_temperature = drive.controller_temperature = 90.0
    subject.rest(2000.0)
    assert drive.controller_temperature == pytest.approx(
        15.0 + 75.0 * math.exp(-1.1 * 2000.0 / 260.0)
    )
    assert 15.0 < drive.case_temperature < 40.0
    assert np.isclose(drive.resistance, 0.152 * (1 + 0.00393 * (drive.winding_temperature - 20.0)))
