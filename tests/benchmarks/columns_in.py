"""Importing a column file against pandas only reading it, and memory against the file's length.

Twenty columns at 100 Hz.  Run: ``python tests/benchmarks/columns_in.py``.  Prints ratios; the
seconds are this machine's.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

ROWS = 10_000
COLUMNS = 20
LONGER = 4

_RUN = "import sys; from sagline_analyser.cli import main; sys.exit(main(sys.argv[1:]))"


def write_csv(path: Path, rows: int) -> None:
    """Write random walks with two decimals."""
    walk = np.random.default_rng(1).integers(-50, 51, (rows, COLUMNS)).cumsum(axis=0) / 100
    table = pd.DataFrame(walk, columns=[f"c{n}" for n in range(COLUMNS)])
    table.insert(0, "t", np.arange(rows) / 100)
    table.to_csv(path, index=False, float_format="%.2f")


def imported(csv: Path, plan: Path) -> tuple[float, float]:
    """Return the seconds and the peak memory in MB of one import in a process of its own."""
    code = (
        f"{_RUN.replace('sys.exit(', 'status = (')}\n"
        # Not getrusage: its peak includes this process, of which the new one began as a copy.
        "print(open('/proc/self/status').read().split('VmHWM:')[1].split()[0])\n"
        "sys.exit(status)"
    )
    out = csv.with_name(f"{csv.stem}_{time.monotonic_ns()}.sagline")
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, "import", str(csv), "--map", str(plan), "-o", str(out)],
        capture_output=True,
        text=True,
        check=True,
    )
    taken = time.perf_counter() - start
    return taken, int(done.stdout.splitlines()[-1]) / 1e3


def main() -> None:
    """Print the ratios."""
    with tempfile.TemporaryDirectory() as place:
        plan = Path(place) / "map.toml"
        text = '[time]\ncolumn = "t"\nunit = "s"\n[[streams]]\nname = "fast"\nperiod = 0.01\n'
        for n in range(COLUMNS):
            text += f'[[columns]]\ncolumn = "c{n}"\nchannel = "own{n}"\nresolution = 0.01\n'
        plan.write_text(text)
        short, long = Path(place) / "short.csv", Path(place) / "long.csv"
        write_csv(short, ROWS)
        write_csv(long, ROWS * LONGER)
        taken, memory = imported(short, plan)
        start = time.perf_counter()
        pd.read_csv(short)
        read = time.perf_counter() - start
        _, more = imported(long, plan)
        size = (long.stat().st_size - short.stat().st_size) / 1e6
        print(f"import of {ROWS} rows: {taken:.1f} s, {taken / read:.0f} times pandas.read_csv")
        print(
            f"peak memory {memory:.0f} MB, of a file {LONGER} times as long {more:.0f} MB: "
            f"{(more - memory) / size:.2f} bytes for each further byte of the file"
        )


if __name__ == "__main__":
    main()
