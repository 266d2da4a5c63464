"""The trust bench, one command: ``python tests/trust/run.py [BENCH ...] [--cases N] [--seed S]``.

Each bench prints its table; ``--write FILE`` keeps all of them with the command and the date.  A
long bench can be run in pieces: ``--piece FILE`` keeps the rows of some seeds in place of tables,
and ``--merge FILE ...`` makes the tables of such pieces (benches with ``rows`` and ``tables_of``).
"""

import argparse
import importlib
import pickle
import shlex
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

BENCHES: dict[str, str] = {
    "cells": "trust.cells_bench",
    "history": "trust.cells_history",
    "left_out": "trust.cells_left_out",
    "called_full": "trust.cells_full",
    "unseen": "trust.cells_unseen",
    "heat": "trust.heat_bench",
    "compare": "trust.compare_bench",
    "limits": "trust.limits_bench",
    "sensors": "trust.sensors_bench",
    "sound": "trust.sensors_sound",
    "faults": "trust.faults_bench",
    "contradictions": "trust.contradictions",
}
"""Name of a bench → its module; each has ``tables(cases, seed)``, a list of (title, table)."""


def merged(bench: Any, pieces: list[Path]) -> Callable[[int, int], list[tuple[str, str]]]:
    """Return the making of the tables of ``pieces`` in place of a run."""
    whole: dict[str, list[Any]] = {}
    for piece in pieces:
        for name, some in pickle.loads(piece.read_bytes()).items():
            whole.setdefault(name, []).extend(some)
    return lambda cases, seed: list(bench.tables_of(whole))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("bench", nargs="*", help=f"of {', '.join(BENCHES)}; all of them if none")
    parser.add_argument("--cases", type=int, default=200, help="cases of each kind (200)")
    parser.add_argument("--seed", type=int, default=1, help="seed of the first case (1)")
    parser.add_argument("--write", type=Path, help="keep the tables in this Markdown file")
    parser.add_argument("--piece", type=Path, help="keep the rows in this file, print no table")
    parser.add_argument("--merge", type=Path, nargs="+", help="tables of the rows kept in pieces")
    chosen = parser.parse_args()
    if unknown := [name for name in chosen.bench if name not in BENCHES]:
        parser.error(f"no bench {', '.join(unknown)}; there are {', '.join(BENCHES)}")
    if (chosen.piece or chosen.merge) and len(chosen.bench) != 1:
        parser.error("a piece is of one bench")
    parts = []
    for name in chosen.bench or BENCHES:
        bench = importlib.import_module(BENCHES[name])
        if chosen.piece:
            chosen.piece.write_bytes(pickle.dumps(bench.rows(chosen.cases, chosen.seed)))
            return 0
        tables = merged(bench, chosen.merge) if chosen.merge else bench.tables
        for title, table in tables(chosen.cases, chosen.seed):
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
