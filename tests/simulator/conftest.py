"""The bread run, ridden once for all tests that look at it."""

from dataclasses import dataclass

import pytest

from sagline_logger.simulator import Simulation, Transmission


@dataclass(frozen=True)
class Ridden:
    simulation: Simulation
    sent: list[Transmission]
    data: bytes


@pytest.fixture(scope="session")
def bread_run() -> Ridden:
    simulation = Simulation(seed=1)
    sent = list(simulation.run())
    return Ridden(simulation, sent, b"".join(one.data for one in sent))
