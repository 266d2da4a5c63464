"""A library of 1,000 small rides: the first list, by two processes, against the next one.

Run: ``python tests/benchmarks/rides.py [RIDES]``.  Prints ratios; the seconds are this machine's.
The command is run as a user would, so the start of the interpreter is in all times.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.ride_library import write_rides

RIDES = 1000


def listed(directory: Path, expected: int) -> float:
    """Return the seconds that one run of the command takes."""
    arguments = [str(directory), "--processes", "2"]
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "sagline_analyser.cli", "rides", *arguments],
        capture_output=True,
        text=True,
        check=True,
    )
    taken = time.perf_counter() - start
    assert f"{expected} of {expected} rides" in done.stdout, done.stdout[-300:]
    return taken


def main(rides: int) -> None:
    """Print the ratios."""
    with tempfile.TemporaryDirectory() as place:
        directory = Path(place)
        write_rides(directory, rides)
        first = listed(directory, rides)
        second = min(listed(directory, rides) for _ in range(5))
        write_rides(directory, 1, rides)
        one_more = listed(directory, rides + 1)
    print(f"first list of {rides} rides, two processes: {first:.1f} s")
    print(f"second list: {second:.2f} s: {first / second:.0f} times as fast (wanted: 50)")
    print(f"with one ride more: {one_more:.2f} s: {one_more / first:.4f} of the first")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else RIDES)
