"""Let the disk of a recording logger run full N times: ``python tests/soak/full_disk.py [N]``.

Mounts small file systems in memory, so it needs root (or a sudo that asks nothing).  Fails when a
log holds anything but what was sent, less exactly what its DROPPED records tell, or when the exit
status does not tell a loss.
"""

import random
import sys
import tempfile
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.full_disks import WAYS, fill_once

AT_ONCE = 2


def main() -> int:
    """Run and print the outcome."""
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    seed = random.randrange(1 << 30)
    print(f"{times} full disks, {AT_ONCE} at a time, seeds from {seed}", flush=True)
    ways: Counter[str] = Counter()
    frames = 0
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for n, (way, dropped) in enumerate(pool.map(_fill, range(seed, seed + times)), 1):
            ways[way] += 1
            frames += dropped
            if n % 25 == 0:
                print(f"{n} full disks, {frames} frames dropped and told", flush=True)
    told = ", ".join(f"{ways[way]} {way}" for way in WAYS)
    print(f"{told}: every log holds what was sent, less the {frames} frames that it tells")
    return 0


def _fill(seed: int) -> tuple[str, int]:
    with tempfile.TemporaryDirectory() as directory:
        return fill_once(Path(directory), random.Random(seed))


if __name__ == "__main__":
    sys.exit(main())
