"""Readings that stay from a moment on, or for a while, while what they measure goes on."""

import re

import numpy as np
import pytest

from sagline_analyser.findings.basis import open_basis
from support.rides import channel, make_ride, make_stream
from trust.sensor_rides import unequal_ride, unequal_values, with_values


@pytest.mark.parametrize("key", ["battery_current", "motor_current_2"])
@pytest.mark.parametrize("duty", [True, False])
def test_a_current_that_freezes_is_not_one_with_an_offset(key, duty):
    """It reads the same amperes driving and standing still, from its moment on; where no duty cycle
    is sent, standing still tells it alone."""
    values = unequal_values(key)
    time = unequal_ride().streams["fast"].time
    since = int(np.flatnonzero((time > 130) & (values > 0.3 * values.max()))[0])
    frozen = np.where(np.arange(len(values)) >= since, values[since], values)
    changed = {key: frozen}
    if not duty:
        none = np.full(len(values), np.nan)
        changed |= dict.fromkeys(unequal_ride().keys("duty_cycle"), none)
    ride = with_values(unequal_ride(), changed)
    (doubt,) = [one for one in open_basis(ride).sensors if one.set_aside]
    assert (doubt.key, doubt.doubt) == (key, "frozen")
    assert f"{values[since]:.3g} A" in doubt.evidence.replace(".0 A", " A")
    told = re.search(r"from (\d+) s on", doubt.evidence)
    assert told is not None
    assert float(told[1]) == pytest.approx(time[since], abs=1.0)
    assert doubt.spans[0][0] == pytest.approx(time[since], abs=0.2)
    assert doubt.spans[-1][1] == pytest.approx(ride.duration, abs=0.2)


def test_a_motor_that_is_off_reads_its_zero_driving_and_standing():
    """Its sensor's zero is 0.4 A off; the other motor drives alone from half way on."""
    time = unequal_ride().streams["fast"].time
    off = time > 100
    own = np.where(
        off | (unequal_values("motor_current_1") == 0), 0.4, unequal_values("motor_current_1")
    )
    still = np.abs(unequal_values("motor_speed_1")) < 2
    own = np.where(still, 0.4, own)
    columns = {
        channel("motor_current", "A", 1, -1): own,
        channel("motor_current", "A", 2, -1): unequal_values("motor_current_2"),
        channel("motor_speed", "r/min", 1): unequal_values("motor_speed_1"),
        channel("motor_speed", "r/min", 2): unequal_values("motor_speed_2"),
    }
    basis = open_basis(make_ride(make_stream("fast", time, columns, period=0.02)))
    assert basis.sensors == ()


def test_a_steady_motor_beside_a_speed_that_stays_is_not_frozen():
    """The speed still says 6 m/s for some seconds after the vehicle has come to 10."""
    time = np.arange(0, 200, 0.05)
    luck = np.random.default_rng(4)
    true = 2 + np.abs((time % 40) - 20) / 5
    true = np.where((time > 100) & (time < 116), 10.0, true)
    late = np.where((time > 100) & (time < 105), 6.0, true + luck.normal(0, 0.02, len(time)))
    columns = {
        channel("speed", "m/s", exponent=-2): late,
        channel("motor_speed", "r/min", 1): 200 * true + luck.normal(0, 1.5, len(time)),
    }
    basis = open_basis(make_ride(make_stream("fast", time, columns, period=0.05)))
    assert "motor_speed_1" not in {doubt.key for doubt in basis.sensors}


@pytest.mark.parametrize("at", [30.0, -0.1])
def test_without_duty_cycles_the_own_controller_shows_a_frozen_motor_current(at):
    """Even one that reads next to nothing, as it would at standstill."""
    time = np.arange(0, 300, 0.05)
    luck = np.random.default_rng(6)
    speed = 5 + 4 * np.sin(time / 9)
    current = 25 + 20 * np.sin(time / 2)
    columns = {
        channel("motor_speed", "r/min", 1): 200 * speed,
        channel("controller_battery_current", "A", 1, -1): current * speed / 10,
        channel("motor_current", "A", 1, -1): np.where(
            time > 200, at, current + luck.normal(0, 0.2, len(time))
        ),
    }
    (doubt,) = open_basis(make_ride(make_stream("fast", time, columns, period=0.05))).sensors
    assert (doubt.key, doubt.doubt) == ("motor_current_1", "frozen")
    assert doubt.spans[0][0] == pytest.approx(200, abs=0.2)


def test_a_motor_current_at_its_limit_is_not_frozen():
    """It holds still for many seconds, while the power goes up with the speed."""
    time = np.arange(0, 300, 0.05)
    speed = np.abs((time % 40) - 20) / 2
    current = np.where(time % 40 > 20, 45.0, 10 + 5 * np.sin(2 * time))
    drawn = (current * speed + 0.1 * current**2) / 12  # what turns it, and what warms it
    columns = {
        channel("motor_speed", "r/min", 1): 200 * speed,
        channel("controller_battery_current", "A", 1, -1): drawn,
        channel("motor_current", "A", 1, -1): current,
        channel("speed", "m/s", exponent=-2): speed,
    }
    assert open_basis(make_ride(make_stream("fast", time, columns, period=0.05))).sensors == ()


def test_a_cell_read_in_coarse_steps_is_not_frozen():
    """It is sent in mV and read in steps of 20 mV: more than what the others move by meanwhile."""
    time = np.arange(0, 300, 0.2)
    luck = np.random.default_rng(9)
    swing = np.sin(time / 6)
    load = 20 + 20 * np.sign(swing) * np.sqrt(np.abs(swing))
    cells = 3.8 - 0.0006 * load - 0.0003 * time + luck.normal(0, 0.001, (10, len(time)))
    cells[2] = np.round(cells[2] / 0.02) * 0.02
    columns = {channel("cell_voltage", "V", k + 1, -3): v for k, v in enumerate(cells)}
    assert open_basis(make_ride(make_stream("cells", time, columns, period=0.2))).sensors == ()
