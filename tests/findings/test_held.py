"""Readings that are said again and again while what they measure goes on."""

import numpy as np
import pytest

from sagline_analyser.findings.basis import open_basis
from sagline_analyser.findings.readings.series import Series
from sagline_analyser.findings.sensors.held import HOLDS, holds_of
from support.rides import channel, make_ride, make_stream
from trust.sensor_rides import unequal_ride, unequal_values, with_values


def _held(values: np.ndarray, samples: int) -> np.ndarray:
    return values[np.arange(len(values)) // samples * samples]


@pytest.mark.parametrize("key", ["battery_current", "motor_current_1", "speed", "motor_speed_2"])
def test_a_channel_that_holds_each_reading_is_the_only_one_named(key):
    """The one that stays while the other goes on is blamed, and not the steadier of the two."""
    ride = with_values(unequal_ride(), {key: _held(unequal_values(key), 130)})
    (doubt,) = open_basis(ride).sensors
    assert (doubt.key, doubt.doubt) == (key, "repeats")
    assert "for 2.6 s before the next" in doubt.evidence
    assert doubt.inside(np.array([ride.duration / 2])).all()


def test_battery_current_goes_with_what_turns_and_warms_the_motors():
    """Without duty cycles and controllers' currents, speed and motor current still tell it."""
    none = np.full(len(unequal_values("speed")), np.nan)
    duties = dict.fromkeys(unequal_ride().keys("duty_cycle"), none)
    held = {"battery_current": _held(unequal_values("battery_current"), 130)}
    for changed, named in ((duties, []), (duties | held, ["battery_current"])):
        sensors = open_basis(with_values(unequal_ride(), changed)).sensors
        assert [doubt.key for doubt in sensors] == named


def test_a_channel_that_holds_half_a_second_is_a_slow_sensor():
    ride = with_values(
        unequal_ride(), {"battery_current": _held(unequal_values("battery_current"), 25)}
    )
    assert open_basis(ride).sensors == ()


def test_what_is_read_seldom_of_all_cells_is_the_senders_rate():
    """All cells that change at the same moments are read as often as their monitor reads them."""
    keys = unequal_ride().keys("cell_voltage")
    samples = round(2.0 / unequal_ride().streams["cells"].period) or 1
    ride = with_values(
        unequal_ride(), {key: _held(unequal_values(key), max(samples, 3)) for key in keys}
    )
    assert open_basis(ride).sensors == ()


def test_a_current_that_is_switched_does_not_hold_its_readings():
    """On and off without any noise: it stays as long, but so does all it goes with."""
    time = np.arange(0, 300, 0.1)
    on = 40.0 * (np.floor(time / 3) % 2)
    columns = {
        channel("battery_current", "A", exponent=-1): 0.5 * on,
        channel("motor_current", "A", 1, -1): on,
        channel("duty_cycle", "1", 1, -3): np.full(len(time), 0.5),
        channel("pack_voltage", "V", exponent=-2): 50 - 0.02 * on,
    }
    ride = make_ride(make_stream("fast", time, columns, period=0.1))
    assert holds_of(Series(time, on, np.zeros(len(time), bool))) is not None
    assert open_basis(ride).sensors == ()


def test_holds_follow_each_other():
    time = np.arange(0, 100, 0.1)
    gap = np.zeros(len(time), bool)
    stairs = np.floor(time / 2)
    found = holds_of(Series(time, stairs, gap))
    assert found is not None
    assert len(found.value) == 50
    assert np.allclose(found.end - found.start, 2.0, atol=0.11)
    # Once in a while it moves from sample to sample: fewer holds than are asked for in a row.
    broken = np.where(time % (2 * HOLDS) < 1.9, time, stairs)
    assert holds_of(Series(time, broken, gap)) is None


def test_a_speed_in_coarse_steps_stays_until_the_next_one():
    """It is sent in single r/min and read in steps of 50, after a filter of 1.5 s."""
    time = np.arange(0, 400, 0.05)
    speed = 1.2 - np.cos(time / 9)
    filtered = np.convolve(np.r_[np.full(29, speed[0]), speed], np.ones(30) / 30, "valid")
    columns = {
        channel("speed", "m/s", exponent=-2): speed,
        channel("motor_speed", "r/min", 1): np.round(250 * filtered / 50) * 50,
    }
    assert open_basis(make_ride(make_stream("fast", time, columns, period=0.05))).sensors == ()
