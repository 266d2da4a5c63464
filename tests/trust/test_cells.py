"""The makers of cell truth hold against what does not come from them; a small part of the bench."""

import numpy as np
import pytest

from trust.cells_model import MAKES, curve_of, solve
from trust.cells_rides import make_ride_of
from trust.cells_vehicle import knots

CHEN = MAKES[0]


def test_the_rest_voltage_is_where_an_hours_rest_ends():
    times = np.array([0.0, 600.0, 601.0, 9000.0])
    found = solve(CHEN, times, np.array([0.8, 0.8, 0.0, 0.0]), 0.7, 25.0, every=10.0)
    assert found.rest[61] - found.voltage[61] > 0.002, "it has still to creep"
    assert found.voltage[-1] == pytest.approx(found.rest[61], abs=0.001)


def test_the_curve_of_nmc_811_is_not_the_generic_one():
    # C.-H. Chen et al., J. Electrochem. Soc. 167 (2020) 080534: 2.5 V empty to 4.2 V full.
    states, volts = curve_of(CHEN)
    assert volts[[0, -1]] == pytest.approx([2.5, 4.2], abs=0.03)
    assert (np.diff(volts) > 0).all() and states[-1] == 1.0


def test_straight_lines_stay_within_their_tolerance():
    values = np.cumsum(np.random.default_rng(1).normal(size=3000))
    places = knots(values, 0.5)
    drawn = np.interp(np.arange(3000), places, values[places])
    assert np.abs(drawn - values).max() <= 0.5 + 1e-9 and len(places) < 2500


def test_a_ride_is_what_its_truth_says():
    made = make_ride_of(4, make=MAKES[1], odd="small")
    truth, drive = made.truth, made.ride.streams["drive"]
    odd = truth.cells[truth.pack.odd.cell - 1]
    assert odd.capacity < 0.93 * np.median([cell.capacity for cell in truth.cells])
    step = np.diff(drive.time)
    drawn = float(np.sum(step * drive.values["battery_current"][1:])) / 3600
    counted = (odd.start - odd.end) * odd.capacity
    assert drawn == pytest.approx(counted, rel=0.03, abs=0.08 * drive.time[-1] / 3600)
    once, late = truth.pulses(odd.number, truth.load)
    assert 0 < once < late
    total = sum(
        made.ride.streams["cells"].values[f"cell_voltage_{n.number}"][0] for n in truth.cells
    )
    assert total == pytest.approx(drive.values["pack_voltage"][7], rel=0.02)
