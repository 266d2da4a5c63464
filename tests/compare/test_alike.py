"""What is brought alike before two settings are held against each other.

P = U · I (any text on electric circuits): at one power the current goes inversely with the voltage.
"""

import numpy as np
import pytest

from sagline_analyser.compare.alike import slopes
from sagline_analyser.compare.comparison import CauseShare, _at_power, compare
from sagline_analyser.compare.like_load import SATURATES, joined
from sagline_analyser.compare.sides import split
from sagline_analyser.compare.statistics import difference
from sagline_analyser.findings.drive.held_back import Cause
from trust.vehicles import ride_set

STRETCHES = np.repeat([1, 2, 3, 4], 6)
ON_B = np.isin(STRETCHES, [2, 3])
FALLING = 50.0 - 0.4 * np.repeat([0, 1, 2, 3], 6) - 0.03 * np.tile(np.arange(6), 4)
"""V before each launch, of a pack that is ridden down in the order A, B, B, A."""
POWER = np.where(ON_B, 1650.0, 1500.0)


def bring_alike(
    key: str,
    values: np.ndarray,
    conditions: dict[str, np.ndarray],
    at_power: bool = False,
    stretches: np.ndarray = STRETCHES,
    on_b: np.ndarray = ON_B,
) -> tuple[np.ndarray, float, tuple[str, ...]]:
    """The values at like conditions, the error that this gives B less A, and what was alike."""
    found = slopes(key, values, stretches.tolist(), conditions, at_power)
    launches = np.column_stack([values, found.away])
    a, b = (
        [launches[stretches == n] for n in np.unique(stretches[side])] for side in (~on_b, on_b)
    )
    return found.even(launches), found.error(a, b), found.names


def apart(values: np.ndarray) -> float:
    """How far the two stretches of A lie apart, as a share of the middle."""
    first, last = (values[n == STRETCHES].mean() for n in (1, 4))
    return float(abs(last - first) / values.mean())


@pytest.mark.parametrize("key", ["mean_battery", "peak_battery", "sag"])
def test_at_one_power_a_falling_pack_is_taken_out_of_what_it_gives(key: str) -> None:
    noise = np.random.default_rng(4).normal(0, 0.1, 24)
    values = (POWER / FALLING + noise) * (0.08 if key == "sag" else 1.0)
    conditions = {"rest_voltage": FALLING}
    even, error, names = bring_alike(key, values, conditions, at_power=True)
    assert apart(values) > 0.02 and apart(even) < 0.006
    assert names == ("rest_voltage",) and error < 0.002 * values.mean()
    # What B draws more than A stays: a tenth.
    a, b = even[~ON_B].mean(), even[ON_B].mean()
    assert b / a == pytest.approx(1.10, abs=0.01)


def test_launches_are_brought_alike_by_the_slope_within_stretches() -> None:
    """A time that goes with voltage to the power −0.8: rides at other voltages come together, and a
    condition that does not vary within a stretch is left alone."""
    chance = np.random.default_rng(2)
    stretches = np.repeat([1, 2, 3, 4], 8)
    volts = np.repeat([52.0, 50.0, 47.0, 49.0], 8) - 0.4 * np.tile(np.arange(8), 4)
    values = 5.0 * (volts / 50) ** -0.8 * np.exp(0.002 * chance.normal(size=32))
    on_b = np.isin(stretches, [2, 3])
    even, error, alike = bring_alike(
        "time_to_speed", values, {"rest_voltage": volts}, False, stretches, on_b
    )
    assert alike == ("rest_voltage",) and error == 0  # the sides' own stretches differ as much
    _, more, _ = bring_alike(
        "time_to_speed", values, {"rest_voltage": volts}, False, stretches, stretches > 2
    )
    assert 0 < more < 0.05
    before, after = (
        np.std([v[stretches == n].mean() for n in range(1, 5)]) for v in (values, even)
    )
    assert after < 0.15 * before
    flat = np.repeat([52.0, 50.0, 47.0, 49.0], 8) + 1e-3 * np.tile(np.arange(8), 4)
    even, error, alike = bring_alike(
        "time_to_speed", values, {"rest_voltage": flat}, False, stretches, on_b
    )
    assert alike == () and error == 0 and (even == values).all()


def test_sag_is_left_as_it_is_where_voltage_makes_a_difference_to_the_power() -> None:
    values = 3.0 + 0.0 * FALLING
    even, error, names = bring_alike("sag", values, {"rest_voltage": FALLING})
    assert np.array_equal(even, values) and error == 0 and names == ()


def test_other_measures_go_by_what_their_launches_show_at_one_power_as_well() -> None:
    values = np.random.default_rng(1).normal(5.0, 0.05, 24)
    for key in ("time_to_speed", "heat", "peak_motor"):
        plain = bring_alike(key, values, {"rest_voltage": FALLING})
        given = bring_alike(key, values, {"rest_voltage": FALLING}, True)
        assert np.array_equal(plain[0], given[0]) and plain[1:] == given[1:]


@pytest.mark.parametrize(
    ("shares", "expected"),
    [
        ({Cause.MOTOR_CURRENT: (0.9, 0.8), Cause.RIDER: (0.1, 0.2)}, True),
        ({Cause.MOTOR_CURRENT: (0.97, 0.96), Cause.BATTERY_CURRENT: (0.03, 0.04)}, True),
        ({Cause.MOTOR_CURRENT: (0.97, 0.90), Cause.BATTERY_CURRENT: (0.03, 0.10)}, False),
        ({Cause.HEAT: (0.94, 0.94), Cause.DUTY: (0.03, 0.03), Cause.UNKNOWN: (0.03, 0.03)}, False),
        ({Cause.MOTOR_CURRENT: (0.5, 0.5), Cause.LOW_VOLTAGE: (0.5, 0.5)}, False),
        ({}, False),
    ],
)
def test_motors_alone_held_it_back(
    shares: dict[Cause, tuple[float, float]], expected: bool
) -> None:
    assert _at_power([CauseShare(str(c), a, b) for c, (a, b) in shares.items()]) is expected


def test_torque_falls_behind_the_current_where_nothing_measured_says_more() -> None:
    """Where rides differ so much that times say nothing, the currents' effect is a little less."""
    rng = np.random.default_rng(0)
    wild = [rng.normal(5.0, 0.1, 6) + by for by in (-1.0, 0.7, -0.8, 1.1)]
    direct = difference([wild[0], wild[3]], [wild[1], wild[2]])
    steady = [rng.normal(5.0 - 0.4 * b, 0.005, 6) for b in (0, 1, 1, 0)]
    currents = difference([steady[0], steady[3]], [steady[1], steady[2]])
    both = joined(direct, currents, 5.0, 0.02)
    assert both.value / currents.value == pytest.approx(1 - SATURATES, abs=0.02)
    assert both.low < currents.value < both.high
    # Where times say it closely, they count.
    plain = [rng.normal(5.0 - 0.5 * b, 0.005, 6) for b in (0, 1, 1, 0)]
    told = joined(difference([plain[0], plain[3]], [plain[1], plain[2]]), currents, 5.0, 0.001)
    assert told.value == pytest.approx(-0.5, abs=0.03)


def test_a_time_that_goes_steeper_than_voltage_is_brought_alike_where_launches_show_it() -> None:
    """Near the duty ceiling the last of the speed comes slowly: 2.7 % for each per cent."""
    volts = FALLING - 0.12 * np.tile(np.arange(6), 4)
    noise = 1 + 0.003 * np.random.default_rng(2).normal(size=24)
    values = 5.0 * (volts / volts.mean()) ** -2.7 * noise
    even, error, names = bring_alike("time_to_speed", values, {"rest_voltage": volts})
    assert names == ("rest_voltage",) and error < 0.01 * values.mean()
    assert apart(values) > 0.06 and apart(even) < 0.02


@pytest.mark.parametrize(("ceiling", "times"), [(True, 3.0), (False, 1.0)])
def test_what_voltage_could_make_of_a_time_is_more_near_the_duty_ceiling(
    ceiling: bool, times: float
) -> None:
    own = ride_set("scooter", 27005, motor_limited=not ceiling)
    found = compare(split([(ride, None) for ride in own.rides], sides="ABBA"))
    held = {one.cause: one.a for one in found.main.causes}
    assert (held.get(Cause.DUTY, 0.0) > 0.05) is ceiling
    volts = next(one for one in found.main.confounders if one.key == "rest_voltage")
    middle = (volts.a + volts.b) / 2
    assert volts.effect == pytest.approx(-times * volts.difference.value / middle)
    assert ("3 times as much" in volts.how) is ceiling
