"""A full CAN bus of 500 kbit/s recorded by the real command over UDP multicast.

Run: ``python tests/benchmarks/can_bus.py [seconds]``.  Prints the share of a core and what came of
4,000 frames a second; the peer of the same run is python-can's own logger of the same frames to a
file of its own format.
"""

import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import can
import psutil

sys.path.insert(0, str(Path(__file__).parents[1]))

from sagline_logger.format import Raw, RawForm, Samples, read_log
from support.can_bus import DBC, FULL_LOAD, drive, multicast_bus

ERROR = 1 << 29  # of an identifier, as in Linux's ``linux/can.h``
LOGGER = (sys.executable, "-m", "sagline_logger.cli")


def main() -> None:
    """Run it."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        ours, (kept, told) = share(
            seconds,
            lambda bus: (
                *LOGGER,
                "record",
                *bus.arguments,
                "--dbc",
                DBC,
                "--out",
                directory,
                "--quiet",
            ),
            lambda: held(directory),
        )
        peer = directory / "peer.blf"
        theirs, theirs_kept = share(
            seconds,
            lambda bus: (
                sys.executable,
                "-u",
                "-m",
                "can.logger",
                "-i",
                "udp_multicast",
                "-c",
                bus.channel,
                "-f",
                peer,
            ),
            lambda: sum(1 for _ in can.LogReader(peer)),
        )
    count = round(seconds * FULL_LOAD)
    print(
        f"CAN, {FULL_LOAD} frames a second for {seconds:.0f} s: {100 * ours:.1f} % of one core, "
        f"{count - kept} of {count} frames not in the log ({told} told lost); "
        f"python-can's own logger {100 * theirs:.1f} %, ratio {ours / theirs:.2f}, "
        f"{count - theirs_kept} not in its file"
    )


def share(seconds, command, result):
    """Return the share of a core that a program takes while the bus is full, and its result."""
    with multicast_bus() as bus:
        frames = [drive(n) for n in range(2000)]
        process = subprocess.Popen(
            list(map(str, command(bus))),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        watched = psutil.Process(process.pid)
        assert process.stdout is not None
        print(f"  {process.stdout.readline().strip()[:70]}")  # it has joined the bus
        time.sleep(1)
        spent, began = sum(watched.cpu_times()[:2]), time.perf_counter()
        bus.send((frames[n % 2000] for n in range(round(seconds * FULL_LOAD))), FULL_LOAD)
        took, used = time.perf_counter() - began, -1.0
        while (now := sum(watched.cpu_times()[:2])) - used > 0.05:  # on a busy machine it is behind
            used = now
            time.sleep(1)
        share = (now - spent) / took
        process.terminate()
        process.wait()
    return share, result()


def held(directory: Path) -> tuple[int, int]:
    """Return how many frames the log holds, as samples and raw alike, and tells to be lost."""
    (log,) = directory.glob("*.sagline")
    samples = raw = lost = 0
    with log.open("rb") as file:
        for entry in read_log(file):
            samples += isinstance(entry.record, Samples)
            if isinstance(entry.record, Raw) and entry.record.form is RawForm.CAN:
                data = entry.record.data
                for at in range(0, len(data), 17):  # of 8 data bytes each
                    (word,) = struct.unpack_from("<I", data, at + 4)
                    if word & ERROR:
                        lost += int.from_bytes(data[at + 13 : at + 17], "little")
                    else:
                        raw += 1
    assert samples == raw, (samples, raw)
    return samples, lost


if __name__ == "__main__":
    main()
