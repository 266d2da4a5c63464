"""Kill a recording logger N times with SIGKILL: ``python tests/soak/kill.py [N]``.

Fails when a frame older than the stated bound is missing from a log, a log is damaged anywhere but
at its end, or ``verify`` errs.
"""

import random
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.kills import AT_RISK, kill_once


def main() -> int:
    """Run and print the outcome."""
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    seed = random.randrange(1 << 30)
    print(f"{times} kills, seed {seed}", flush=True)
    luck = random.Random(seed)
    oldest = 0.0
    for n in range(times):
        with tempfile.TemporaryDirectory() as directory:
            oldest = max(oldest, kill_once(Path(directory), luck))
        if (n + 1) % 50 == 0:
            print(f"{n + 1} kills, oldest frame lost {oldest:.2f} s old", flush=True)
    print(f"oldest frame lost by a kill: {oldest:.2f} s (limit {AT_RISK:g} s)")
    return int(oldest > AT_RISK)


if __name__ == "__main__":
    sys.exit(main())
