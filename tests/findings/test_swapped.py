"""Left and right swapped: named by physics that tells the sides apart, and only by that."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from sagline_analyser.findings.basis import Basis, open_basis
from sagline_analyser.findings.sensors.fitted import fitted
from sagline_analyser.findings.sensors.look import Look
from sagline_analyser.findings.sensors.side_evidence import by_heat, by_ohm
from sagline_analyser.load.ride import Ride
from support.late import late
from support.simulated_rides import simulated_ride
from trust.sensor_rides import broken, own_ride

stats = late("scipy.stats")

CURRENTS, HEAT = "motor currents swapped", "motor temperatures swapped"
ALIKE = 3004
"""A simulated ride whose motors draw currents 0.6 A apart, of 37 A."""


@cache
def simulated(seed: int) -> Ride:
    return simulated_ride(seed, ("settings", "in force", "nothing")[seed % 3]).ride


def swapped(ride: Ride, fault: str) -> Ride:
    found = broken(ride, fault, 0)
    assert found is not None
    return found.ride


def named(basis: Basis) -> set[str]:
    return {doubt.key.rsplit("_", 1)[0] for doubt in basis.sensors}


@pytest.mark.parametrize("seed", [3, 7])
def test_ohms_law_and_heat_point_at_the_motor_itself(seed: int) -> None:
    """Rides by a brushed motor's law that the simulator does not use."""
    ride = own_ride(seed)
    for tested, sign in ((ride, 1), (swapped(ride, CURRENTS), -1)):
        found = by_ohm(Look(tested, None))
        assert found is not None
        assert sign * found.current[0] > 0.5 and sign * found.current[1] > 10
        assert found.speed[0] == pytest.approx(1, abs=0.6) and found.speed[1] > 10
    for tested, sign in ((ride, 1), (swapped(ride, HEAT), -1)):
        look = Look(tested, None)
        heat = by_heat(look, look.keys("motor_temperature"), look.keys("motor_current"))
        assert heat is not None and min(sign * ratio for ratio in heat) > 5


@pytest.mark.parametrize(
    ("fault", "name"), [(CURRENTS, "motor_current"), (HEAT, "motor_temperature")]
)
def test_motors_that_work_nearly_alike_are_told_apart(fault: str, name: str) -> None:
    ride = simulated(ALIKE)
    assert open_basis(ride).sensors == ()
    assert named(open_basis(swapped(ride, fault))) == {name}


def test_where_heat_alone_speaks_neither_is_used() -> None:
    """Without duty cycles nothing tells swapped currents from swapped temperatures."""
    ride = swapped(own_ride(3), CURRENTS)
    fast = ride.streams["fast"]
    kept = {key: one for key, one in fast.channels.items() if one.name != "duty_cycle"}
    bare = replace(fast, channels=kept, values={key: fast.values[key] for key in kept})
    basis = open_basis(replace(ride, streams={**ride.streams, "fast": bare}))
    assert named(basis) == {"motor_current", "motor_temperature"}
    assert all("cannot be told" in doubt.evidence for doubt in basis.sensors)
    for key in ("motor_current_1", "motor_temperature_2"):
        stream = basis.ride.find(key)
        assert stream is not None and np.isnan(stream.values[key]).all()


def test_a_fit_is_the_textbooks_and_its_doubt_allows_for_repeats() -> None:
    """SciPy's regression; a reading that is there m times over says no more than once, so its
    standard error is √m of the plain one's (K.-Y. Liang, S. L. Zeger, 1986)."""
    luck = np.random.default_rng(5)
    x = luck.normal(0, 2, 400)
    y = 3 * x + 1 + luck.normal(0, 1, 400)
    plain = stats.linregress(x, y)
    found = fitted([np.ones(400), x], y, 100)
    assert found.values == pytest.approx([plain.intercept, plain.slope])
    assert found.errors[1] == pytest.approx(plain.stderr, rel=0.2)
    often = fitted([np.ones(3600), np.repeat(x, 9)], np.repeat(y, 9), 100)
    assert often.errors == pytest.approx(found.errors, rel=0.02)
    naive = stats.linregress(np.repeat(x, 9), np.repeat(y, 9)).stderr
    assert often.errors[1] == pytest.approx(3 * naive, rel=0.2)


def test_what_is_known_beforehand_narrows_a_fit() -> None:
    """The precision-weighted mean of two normal statements of one figure (any statistics text)."""
    luck = np.random.default_rng(6)
    y = 2.0 + luck.normal(0, 1, 200)
    found = fitted([np.ones(200)], y, 50)
    value, error = float(found.values[0]), float(found.errors[0])
    told = found.known(0, 3.0, error)
    assert told.values[0] == pytest.approx((value + 3.0) / 2)
    assert told.errors[0] == pytest.approx(error / np.sqrt(2))
