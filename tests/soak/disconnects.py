"""Pull the plug of a recording serial port N times: ``python tests/soak/disconnects.py [N]``.

Fails when a frame that was delivered is missing, doubled or invented, or when the logger is not
back within 2 s of the port's return.
"""

import random
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.disconnects import disconnect_often

BACK_WITHIN = 2.0  # s


def main() -> int:
    """Run and print the outcome."""
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    seed = random.randrange(1 << 30)
    print(f"{times} disconnects, seed {seed}", flush=True)
    with tempfile.TemporaryDirectory() as directory:
        slowest = disconnect_often(Path(directory), times, random.Random(seed))
    print(f"every delivered frame once; slowest return {slowest:.2f} s (limit {BACK_WITHIN:g} s)")
    return int(slowest > BACK_WITHIN)


if __name__ == "__main__":
    sys.exit(main())
