"""Kill a recording logger N times with SIGKILL: ``python tests/soak/kill.py [N]``.

Fails when a frame older than the stated bound is missing from a log, a log is damaged anywhere but
at its end, or ``verify`` errs.
"""

import random
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.kills import AT_RISK, kill_once

AT_ONCE = 4
"""Loggers running at a time; each waits most of the time."""


def main() -> int:
    """Run and print the outcome."""
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    seed = random.randrange(1 << 30)
    print(f"{times} kills, {AT_ONCE} at a time, seeds from {seed}", flush=True)
    oldest = 0.0
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for n, lost in enumerate(pool.map(_kill, range(seed, seed + times)), 1):
            oldest = max(oldest, lost)
            if n % 50 == 0:
                print(f"{n} kills, oldest frame lost {oldest:.2f} s old", flush=True)
    print(f"oldest frame lost by a kill: {oldest:.2f} s (limit {AT_RISK:g} s)")
    return int(oldest > AT_RISK)


def _kill(seed: int) -> float:
    with tempfile.TemporaryDirectory() as directory:
        return kill_once(Path(directory), random.Random(seed))


if __name__ == "__main__":
    sys.exit(main())
