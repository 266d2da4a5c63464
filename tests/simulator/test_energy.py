"""The energy ledger: it balances, and it agrees with what was sent."""

import numpy as np
import pytest

from sagline_logger.simulator import (
    HILL_CLIMB,
    KESTREL,
    TOWN_LOOP,
    Simulation,
    random_board,
)
from simulator.boards import machine, run
from simulator.wire import descriptions, samples
from support.ledger import pack_imbalance, vehicle_imbalance


def ridden(board, scenario, seconds, seed=1):
    simulation = Simulation(board=board, scenario=scenario, seconds=seconds, seed=seed)
    for _ in simulation.run():
        pass
    return simulation.ledger


def turnover(ledger):
    return ledger.battery + ledger.towed + ledger.friction_brake


def test_the_bread_run_balances(bread_run):
    # First law; 1 % was asked for, the step allows better.
    ledger = bread_run.simulation.ledger
    assert abs(vehicle_imbalance(ledger)) < 1e-3 * ledger.battery
    assert abs(pack_imbalance(ledger)) < 1e-4 * ledger.battery
    places = (ledger.copper, ledger.iron, ledger.gear, ledger.controller, ledger.air)
    assert min(places) > 0.01 * ledger.battery  # no place was left out


@pytest.mark.parametrize("seed", range(8))
def test_any_board_balances(seed):
    ledger = ridden(random_board(seed), (HILL_CLIMB, TOWN_LOOP)[seed % 2], 40.0, seed)
    assert turnover(ledger) > 2000.0
    assert abs(vehicle_imbalance(ledger)) < 0.01 * turnover(ledger)
    assert abs(pack_imbalance(ledger)) < 0.001 * turnover(ledger)


def test_the_imbalance_is_the_step_and_halves_with_it():
    # Numerical analysis: what is left is first order in the step, not a term forgotten.
    left = []
    for step in (0.005, 0.0025, 0.00125):
        subject = machine(KESTREL, rise=0.02, step=step)
        run(subject, 6.0, throttle=0.8)
        left.append(vehicle_imbalance(subject.ledger()))
    assert left[1] / left[0] == pytest.approx(0.5, abs=0.05)
    assert left[2] / left[1] == pytest.approx(0.5, abs=0.05)


def test_the_ledger_agrees_with_the_samples_that_were_sent(bread_run):
    # Independent of the ledger: energy integrated from the decoded channels.
    fast = descriptions(bread_run.data)["fast"]
    rows = np.array([row for _, _, row in samples(bread_run.data, 1)], float)

    def channel(name):
        at = fast.column(name)
        return fast.channels[at].value(rows[:, at])

    ledger = bread_run.simulation.ledger
    power = channel("pack_voltage") * channel("battery_current")
    assert np.sum(power) * 0.01 == pytest.approx(ledger.battery, rel=5e-3)
    # Road load of vehicle textbooks from the speed channel; 24 °C gives ρ = 1.1879 kg/m³ (tables).
    speed = channel("speed")
    assert 0.5 * 1.1879 * 0.85 * np.sum(speed**3) * 0.01 == pytest.approx(ledger.air, rel=5e-3)
    distance = np.sum(speed) * 0.01
    assert distance == pytest.approx(bread_run.simulation.machine.distance, rel=2e-3)
    # Slopes of the route change cosθ by less than 0.3 %.
    assert 0.010 * 265.0 * 9.80665 * distance == pytest.approx(ledger.rolling, rel=5e-3)


def test_height_climbed_is_booked_as_potential_energy():
    # m·g·h with the route's height integrated in closed form.
    simulation = Simulation(scenario=HILL_CLIMB, seconds=35.0)
    for _ in simulation.run():
        pass
    height = HILL_CLIMB.route.height(simulation.machine.distance)
    assert height > 5.0
    assert simulation.ledger.potential == pytest.approx(265.0 * 9.80665 * height, rel=2e-3)


def test_braking_gives_energy_back_to_the_pack():
    # Kinetic energy bounds what can come back; most of gentle braking should.
    subject = machine(KESTREL)
    subject.launch(6.0)
    held = subject.ledger().kinetic
    run(subject, 7.0, brake=0.3)
    ledger = subject.ledger()
    back = ledger.auxiliary - ledger.battery
    assert held == pytest.approx(0.5 * 265.0 * 1.04 * 36.0)
    assert ledger.kinetic < 0.01 * held
    assert 0.4 * held < back < 0.9 * held
