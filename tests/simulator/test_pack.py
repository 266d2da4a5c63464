"""The pack against the closed forms of its equivalent circuit."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sagline_logger.format import SaglineError
from sagline_logger.simulator import KESTREL, Simulation
from sagline_logger.simulator.cells import CellPack, current_for_power, open_circuit_voltage
from simulator.boards import machine, with_limits
from simulator.wire import descriptions, samples

ENDLESS = replace(KESTREL.pack, capacity=1e9, spread=0.0, initial_charge=0.5)
"""So large that a pulse does not move the open-circuit voltage."""


def pulse(pack: CellPack, current: float, seconds: float) -> None:
    """Draw a constant current."""
    for _ in range(round(seconds / pack.step)):
        source = pack.emf - pack.total_relaxation * pack.filtered
        pack.draw(current * (source - pack.total_ohmic * current))


@pytest.mark.parametrize("seconds", [0.005, 1.0, 10.0, 60.0])
def test_a_current_pulse_follows_the_exponential_of_one_rc_pair(seconds):
    # Any circuits textbook: U = U₀ − I·R₀ − I·R₁·(1 − exp(−t/τ)).
    pack = CellPack(ENDLESS, seed=1, step=0.005)
    rest = pack.cell_voltage(3)
    pulse(pack, 25.0, seconds)
    charged = 1.0 - math.exp(-seconds / 10.0)
    expected = rest - 25.0 * 0.0042 - 25.0 * 0.0026 * charged
    assert pack.cell_voltage(3) == pytest.approx(expected, abs=1e-9)


def test_the_pair_discharges_with_its_time_constant():
    pack = CellPack(ENDLESS, seed=1, step=0.005)
    pulse(pack, 25.0, 60.0)
    sagged = pack.emf - pack.total_relaxation * pack.filtered
    pulse(pack, 0.0, 10.0)
    # After one time constant 1/e of the sag is left.
    assert (pack.emf - pack.voltage) / (pack.emf - sagged) == pytest.approx(1 / math.e, rel=2e-3)


def test_the_weak_group_sags_by_its_resistance_ratio():
    pack = CellPack(ENDLESS, seed=1, step=0.005)
    pulse(pack, 25.0, 30.0)
    sag = [rest - now for rest, now in zip(pack.resting, pack.cell_voltages(), strict=True)]
    assert sag[6] / sag[0] == pytest.approx(1.9)
    assert max(range(13), key=sag.__getitem__) == 6


def test_the_groups_add_up_to_the_pack():
    # Kirchhoff's voltage law.
    pack = CellPack(KESTREL.pack, seed=4, step=0.005)
    pulse(pack, 30.0, 20.0)
    assert math.fsum(pack.cell_voltages()) == pytest.approx(pack.voltage, rel=1e-12)


def test_the_groups_spread_as_stated():
    wide = replace(KESTREL.pack, series=4000, spread=0.03, weak_cell=None)
    pack = CellPack(wide, seed=2, step=0.005)
    # Standard error of a standard deviation from 4000 draws: 1/sqrt(8000) = 1.1 %; allow 3.
    assert np.std(pack.capacities) / np.mean(pack.capacities) == pytest.approx(0.03, rel=0.034)
    assert np.std(pack.ohmic) / np.mean(pack.ohmic) == pytest.approx(0.03, rel=0.034)


@given(st.floats(20.0, 60.0), st.floats(0.01, 0.3), st.floats(-2000.0, 0.999))
def test_current_for_power_gives_that_power_at_the_terminals(source, resistance, share):
    # Maximum power transfer: no source gives more than E²/4R.
    most = source * source / (4.0 * resistance)
    power = share * most if share > 0.0 else share
    current = current_for_power(source, resistance, power)
    assert current * (source - resistance * current) == pytest.approx(power, rel=1e-9, abs=1e-9)
    assert current <= source / (2.0 * resistance)


def test_more_than_the_maximum_power_is_refused_in_one_line():
    with pytest.raises(SaglineError, match="cannot give 5000 W") as caught:
        current_for_power(40.0, 0.1, 5000.0)
    assert "\n" not in str(caught.value)


def test_open_circuit_voltage_rises_with_charge_and_has_the_ends_of_such_cells():
    grid = np.linspace(-0.1, 1.1, 241)
    volts = [open_circuit_voltage(charge) for charge in grid]
    assert all(np.diff(volts) > 0.0)
    # Handbook range of these cells at rest: about 3.0 V empty to 4.2 V full.
    assert open_circuit_voltage(0.0) == pytest.approx(3.0, abs=0.05)
    assert open_circuit_voltage(1.0) == pytest.approx(4.2, abs=0.05)
    # Between two entries: the straight line, computed by numpy.
    assert open_circuit_voltage(0.63) == pytest.approx(np.interp(0.63, [0.6, 0.7], [3.83, 3.93]))


def test_counted_coulombs_agree_with_the_current_that_was_sent():
    # SI Brochure: 1 A·h is 3600 A·s.  Left: what the pack lost.  Right: what the board sent.
    simulation = Simulation(seed=1, seconds=50.0)
    before = simulation.machine.pack.state_of_charge(1)
    data = b"".join(one.data for one in simulation.run())
    pack = simulation.machine.pack
    lost = (before - pack.state_of_charge(1)) * pack.capacities[0] / 3600.0
    fast = descriptions(data)["fast"]
    column = fast.column("battery_current")
    current = [fast.channels[column].value(row[column]) for _, _, row in samples(data, 1)]
    counted = np.trapezoid(current, dx=0.01) / 3600.0
    assert lost > 0.08
    assert counted == pytest.approx(lost, rel=3e-3)


def test_a_board_whose_limits_would_collapse_the_pack_is_refused():
    with pytest.raises(SaglineError, match=r"Kestrel.*would collapse the pack"):
        machine(with_limits(KESTREL, battery_current=200.0))
