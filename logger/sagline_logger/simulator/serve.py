"""Serving a simulation at its pace."""

import time

from ..format.progress import tell
from ..format.stop_flag import StopFlag
from .ports import Port
from .simulation import Simulation
from .truth import TruthFile


def serve(
    simulation: Simulation, port: Port, truth: TruthFile, speed: float, stop: StopFlag
) -> None:
    """Send the simulation's frames through ``port`` until it ends or ``stop`` is set.

    ``speed`` is simulated seconds per second; 0 goes as fast as the reader takes it.  Nothing is
    simulated before a first reader is there.  Later, a board running at a given speed goes on
    without a reader and its frames are lost; one running as fast as possible waits.
    """
    if not port.wait_for_reader(stop):
        return
    start = time.monotonic()
    for transmission in simulation.run():
        if speed > 0.0:
            due = start + simulation.clock.true_seconds(transmission.time) / speed
            stop.wait(max(0.0, due - time.monotonic()))
        if stop.is_set():
            return
        tell(f"simulating: {transmission.time / 1e6:.0f} s", transmission.time, simulation.end or 0)
        sent = port.send(transmission.data, stop)
        while not sent and speed <= 0.0 and port.wait_for_reader(stop):
            sent = port.send(transmission.data, stop)
        truth.add(transmission, sent)
