"""Do the tests notice a changed line?  ``python tests/mutation/run.py PIECE … [--seconds N]``.

mutmut (PyPI) names the mutants of a function: one operator, number or word is another.  Here they
are tried, in a copy (``--at DIR``): see ``forks.py``.  A mutant that no test notices is a line that
nothing holds, or one whose change changes nothing.  What was found is kept in the copy: a run that
was stopped goes on from there, a changed function is tried again, and ``--again`` tries again
whatever no test noticed.  Of a module with more than ``--sample`` mutants that many are tried,
drawn by a chance that is the same each time; its share counts by its size.
"""

import argparse
import hashlib
import json
import os
import random
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import mutants as made
from mutants import ROOT, Mutant

FORMAT = "logger/sagline_logger/format"
BELIEF = "analyser/sagline_analyser/findings/belief"

PIECES: dict[str, tuple[list[str], list[str]]] = {
    "frames": (
        [f"{FORMAT}/{name}.py" for name in ("cobs", "frame")],
        ["tests/format/test_frame.py"],
    ),
    "records": (
        [
            f"{FORMAT}/{name}.py"
            for name in ("wire", "records", "device_records", "host_records", "errors")
        ],
        [
            "tests/format/test_refusals.py",
            "tests/format/test_records.py",
            "tests/format/test_vectors.py",
        ],
    ),
    "channels": (
        [f"{FORMAT}/{name}.py" for name in ("channels", "near_names")],
        [
            "tests/format/test_channels.py",
            "tests/format/test_standard.py",
            "tests/format/test_refusals.py",
            "tests/format/test_reading.py",
            "tests/format/test_records.py",
            "tests/verify/test_channels.py",
        ],
    ),
    "stream": (
        [f"{FORMAT}/{name}.py" for name in ("device_stream", "device_clock")],
        [
            "tests/format/test_reading.py",
            "tests/format/test_vectors.py",
            "tests/capture/test_listener.py",
        ],
    ),
    "log_file": (
        [f"{FORMAT}/{name}.py" for name in ("log_file", "wrapped", "byte_kinds")],
        [
            "tests/format/test_reading.py",
            "tests/format/test_wrappings.py",
            "tests/format/test_log_file.py",
            "tests/format/test_byte_kinds.py",
        ],
    ),
    "board": (
        [f"{FORMAT}/board_*.py", f"{FORMAT}/toml_lines.py", f"{FORMAT}/toml_tables.py"],
        [
            f"tests/board_file/test_{name}.py"
            for name in ("words", "conflicts", "limits", "toml_lines", "errors")
        ],
    ),
    "columns": (
        [f"{FORMAT}/columns/*.py"],
        ["tests/columns_in/test_map_words.py", "tests/columns_in/test_import.py"],
    ),
    "program": (
        [
            f"{FORMAT}/{name}.py"
            for name in (
                *("__init__", "program", "output", "progress", "arguments", "debug_log"),
                "stop_flag",
            )
        ],
        [
            "tests/edges/test_door.py",
            "tests/format/test_names.py",
            "tests/edges/test_debug_log.py",
            "tests/format/test_stop_flag.py",
        ],
    ),
    "charge": (
        [f"{BELIEF}/charge.py"],
        ["tests/findings/test_charge_plainly.py", "tests/findings/test_belief.py"],
    ),
    "circuit": (
        [f"{BELIEF}/circuit.py"],
        ["tests/findings/test_circuit_plainly.py", "tests/findings/test_circuit.py"],
    ),
    "rests": (
        [f"{BELIEF}/{name}.py" for name in ("rests", "unequal", "missing", "estimate")],
        ["tests/findings/test_rests_plainly.py", "tests/findings/test_belief.py"],
    ),
    "points": (
        [f"{BELIEF}/{name}.py" for name in ("rest_points", "curves")],
        ["tests/findings/test_rests_plainly.py", "tests/rides/test_packs.py"],
    ),
}
"""Name of a piece → (what is changed, the tests that should notice)."""

Results = dict[str, tuple[str, str]]
"""Mutant → (how its trial ended, the test that noticed)."""
UNNOTICED = ("survived", "no test")


def list_mutants(at: Path, piece: str) -> dict[str, list[Mutant]]:
    """Prepare the copy of a piece; return its modules' mutants."""
    paths = [
        str(found.relative_to(ROOT))
        for pattern in PIECES[piece][0]
        for found in sorted(ROOT.glob(pattern))
    ]
    made.copy_checkout(at, set(paths))
    found = {path: made.mutate(at, path) for path in paths}
    return {path: one for path, one in found.items() if one}


def results(at: Path, mutants: dict[str, list[Mutant]]) -> Results:
    """Return what was found of the functions as they are now."""
    versions = {one.name: one.version for several in mutants.values() for one in several}
    found: Results = {}
    kept = at / "found.jsonl"
    if kept.is_file():
        for line in kept.read_text(encoding="utf-8").splitlines():
            one = json.loads(line)
            if versions.get(one["mutant"]) == one["version"]:
                found[one["mutant"]] = (one["ended"], one["by"])
    return found


def test_versions(at: Path) -> dict[str, str]:
    """Return the test file → a hash of it and of all that is no test file."""
    common = hashlib.sha256()
    own = {}
    for name in made.COPIED:
        for path in sorted((at / name).rglob("*")):
            if path.suffix == ".pyc" or not path.is_file():
                continue
            content = hashlib.sha256(path.read_bytes()).digest()
            if path.name.startswith("test_"):
                own[str(path.relative_to(at))] = content
            elif "mutation" not in path.parts:
                common.update(content)
    return {
        name: hashlib.sha256(common.digest() + content).hexdigest()[:16]
        for name, content in own.items()
    }


def try_mutants(at: Path, piece: str, chosen: list[Mutant], seconds: float, most: float) -> None:
    """Run the piece's tests on mutants, for at most so many seconds, in no order: what a run that
    was stopped has tried is a sample too."""
    chosen = random.Random(2).sample(chosen, len(chosen))
    plan = {
        "mutants": {one.name: one.version for one in chosen},
        "versions": test_versions(at),
        "found": str(at / "found.jsonl"),
        "learned": str(at / "learned.json"),
        "seconds": seconds,
        "most": most,
    }
    (at / "plan.json").write_text(json.dumps(plan), encoding="utf-8")
    paths = [at / "tests" / "mutation", *(at / source for source in made.SOURCES)]
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(map(str, paths)),
        "SAGLINE_MUTATION_PLAN": str(at / "plan.json"),
    }
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-s",
        "-q",
        "--assert=plain",
        "-p",
        "forks",
        *PIECES[piece][1],
    ]
    run = subprocess.run(command, cwd=at, env=environment, check=False)
    if run.returncode not in (0, 5):
        raise SystemExit(run.returncode)


def table(mutants: dict[str, list[Mutant]], found: Results) -> tuple[float, int]:
    """Print a row for each module; return (mutants noticed, as many as there are)."""
    noticed_of_all, all_of_them = 0.0, 0
    for path, several in mutants.items():
        ends = [found[one.name][0] for one in several if one.name in found]
        killed = sum(end not in UNNOTICED for end in ends)
        slow = ends.count("time")
        share = killed / len(ends) if ends else 0.0
        name = path.removeprefix(f"{FORMAT}/").removeprefix(f"{BELIEF}/").removesuffix(".py")
        print(f"| {name} | {len(several)} | {len(ends)} | {killed} | {slow} | {share:.0%} |")
        noticed_of_all += share * len(several)
        all_of_them += len(several)
    return noticed_of_all, all_of_them


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("pieces", nargs="+", choices=PIECES, metavar="piece", help=f"{[*PIECES]}")
    parser.add_argument("--seconds", type=float, default=540, help="stop after that long (540)")
    parser.add_argument("--sample", type=int, default=150, help="most mutants of a module (150)")
    parser.add_argument("--most", type=float, default=20, help="seconds of tests each (20)")
    parser.add_argument("--only", default="", help="mutants with this in their name")
    parser.add_argument("--again", action="store_true", help="try the unnoticed once more")
    parser.add_argument("--show", action="store_true", help="print each mutant that no test saw")
    parser.add_argument("--at", type=Path, default=Path(tempfile.gettempdir()) / "sagline_mutants")
    chosen = parser.parse_args()
    whole: list[tuple[dict[str, list[Mutant]], Results]] = []
    for piece in chosen.pieces:
        at = chosen.at / piece
        at.mkdir(parents=True, exist_ok=True)
        mutants = list_mutants(at, piece)
        drawn = [
            one
            for several in mutants.values()
            for one in made.sample(several, chosen.sample)
            if chosen.only in one.name
        ]
        found = results(at, mutants)
        left = [
            one
            for one in drawn
            if one.name not in found or (chosen.again and found[one.name][0] in UNNOTICED)
        ]
        if left and chosen.seconds:
            try_mutants(at, piece, left, chosen.seconds, chosen.most)
            found = results(at, mutants)
        if chosen.show:
            for one in drawn:
                if one.name in found and found[one.name][0] in UNNOTICED:
                    print(f"\n{one.name}: {found[one.name][0]}\n{one.diff}")
        whole.append((mutants, found))
    print("| module | mutants | tried | noticed | of those, never ended | share |")
    print("|---|---|---|---|---|---|")
    sums = [table(mutants, found) for mutants, found in whole]
    noticed, every = sum(one[0] for one in sums), sum(one[1] for one in sums)
    print(f"all, each module by its size: {noticed / max(every, 1):.1%} of {every}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
