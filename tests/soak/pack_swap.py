"""Swap a pack for real: ``python tests/soak/pack_swap.py [RIDE_SECONDS [OFF_SECONDS]]``.

A board on a pseudo-terminal, its clock 100 ppm fast, every frame delivered 0 to 50 ms late; it
loses power for 30 s and comes back with a fresh pack and a restarted clock.  Fails unless there is
one file with two segments whose sample times are right to 20 ms throughout.
"""

import random
import signal
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from sagline_analyser import load_ride
from sagline_logger.format import Capture

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.capture import Contents, Port, logged, port_at, recording, the_log
from support.frames import PERIOD, Device

LIMIT = 0.020  # s
DRIFT = 100e-6
LATE = 0.050  # s
COUNT = 5  # samples in a frame


def ride(port: Port, device: Device, seconds: float) -> list[float]:
    """Send in real time for ``seconds``; return when each sample was taken (monotonic s)."""
    taken: list[float] = []
    booted = time.monotonic()
    period = PERIOD / 1e6 / (1 + DRIFT)
    port.send(device.description())
    while len(taken) * period < seconds:
        taken += [booted + (len(taken) + n) * period for n in range(COUNT)]
        ready = taken[-1] + random.uniform(0, LATE)
        time.sleep(max(0.0, ready - time.monotonic()))
        port.send(device.samples(COUNT))
    return taken


def main() -> int:
    """Run and print the outcome."""
    seconds, off = [float(word) for word in sys.argv[1:]] + [60.0, 30.0][len(sys.argv) - 1 :]
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        with (
            port_at(directory / "port") as port,
            recording("--serial", port.path, "--out", directory / "log", "--quiet") as logger,
        ):
            taken = ride(port, Device(boot=7, volts=41.3), seconds)
            port.wait_until_read()
            port.unplug()
            time.sleep(off)
            port.plug()
            logger.wait_for("open again")
            taken += ride(port, Device(boot=8, volts=54.2), seconds)
            port.wait_until_read()
            logger.stop(signal.SIGTERM)
        found = load_ride(the_log(directory / "log"))
        (begin,) = Contents(logged(directory / "log")).all(Capture)
    stream = found.streams["fast"]
    error = stream.time + begin.at.monotonic / 1e6 - np.array(taken)
    step = found.segments[1].voltage_step
    print(
        f"{len(taken)} samples in {len(found.segments)} segments, voltage step {step:.2f} V, "
        f"times wrong by {error.min() * 1e3:+.1f} to {error.max() * 1e3:+.1f} ms (limit 20 ms)"
    )
    return int(len(found.segments) != 2 or abs(error).max() > LIMIT)


if __name__ == "__main__":
    sys.exit(main())
