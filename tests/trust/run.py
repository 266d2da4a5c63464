"""The trust bench, one command: ``python tests/trust/run.py [BENCH ...] [--cases N] [--seed S]``.

Each bench prints its table; ``--write FILE`` keeps all of them with the command and the date.
"""

import argparse
import importlib
import shlex
import sys
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

BENCHES: dict[str, str] = {
    "cells": "trust.cells_bench",
    "history": "trust.cells_history",
    "left_out": "trust.cells_left_out",
    "heat": "trust.heat_bench",
    "compare": "trust.compare_bench",
    "limits": "trust.limits_bench",
    "sensors": "trust.sensors_bench",
    "faults": "trust.faults_bench",
    "contradictions": "trust.contradictions",
}
"""Name of a bench → its module; each has ``tables(cases, seed)``, a list of (title, table)."""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("bench", nargs="*", help=f"of {', '.join(BENCHES)}; all of them if none")
    parser.add_argument("--cases", type=int, default=200, help="cases of each kind (200)")
    parser.add_argument("--seed", type=int, default=1, help="seed of the first case (1)")
    parser.add_argument("--write", type=Path, help="keep the tables in this Markdown file")
    chosen = parser.parse_args()
    if unknown := [name for name in chosen.bench if name not in BENCHES]:
        parser.error(f"no bench {', '.join(unknown)}; there are {', '.join(BENCHES)}")
    parts = []
    for name in chosen.bench or BENCHES:
        for title, table in importlib.import_module(BENCHES[name]).tables(
            chosen.cases, chosen.seed
        ):
            parts.append(f"### {title}\n\n{table}\n")
            print(parts[-1], flush=True)
    if chosen.write:
        command = shlex.join(["python", "tests/trust/run.py", *sys.argv[1:]])
        chosen.write.write_text(
            f"`{command}`, {date.today().isoformat()}\n\n" + "\n".join(parts), encoding="utf-8"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
