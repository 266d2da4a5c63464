"""Do the tests notice a changed line?  ``python tests/mutation/run.py PIECE [--seconds N]``.

mutmut (PyPI) changes one operator, number or word of a function at a time and runs the tests of the
room that reach it; a mutant that no test notices is a line that nothing holds.  The work is done in
a copy (``--at DIR``), which keeps what was found: a run that was stopped goes on from there, and a
changed function or test is tried again.  Tests that start programs of ours see mutants too.
"""

import argparse
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]
FORMAT = "src/sagline_logger/format"
BELIEF = "src/sagline_analyser/findings/belief"

PIECES: dict[str, tuple[list[str], list[str]]] = {
    "frames": (
        [f"{FORMAT}/{name}.py" for name in ("cobs", "frame")],
        ["tests/format/test_frame.py"],
    ),
    "records": (
        [f"{FORMAT}/{name}.py" for name in ("wire", "records", "device_records", "host_records")],
        ["tests/format/test_records.py", "tests/format/test_vectors.py"],
    ),
    "channels": (
        [f"{FORMAT}/{name}.py" for name in ("channels", "near_names", "vocabulary")],
        [
            "tests/format/test_channels.py",
            "tests/format/test_standard.py",
            "tests/format/test_records.py",
            "tests/verify/test_channels.py",
        ],
    ),
    "stream": (
        [f"{FORMAT}/{name}.py" for name in ("device_stream", "device_clock")],
        [
            "tests/format/test_witnesses.py",
            "tests/verify/test_verify.py",
            "tests/capture/test_listener.py",
        ],
    ),
    "log_file": (
        [f"{FORMAT}/{name}.py" for name in ("log_file", "wrapped", "byte_kinds")],
        ["tests/format/test_log_file.py", "tests/format/test_byte_kinds.py"],
    ),
    "board": (
        [f"{FORMAT}/board_*.py", f"{FORMAT}/toml_lines.py"],
        ["tests/board_file"],
    ),
    "belief": ([f"{BELIEF}/*.py"], ["tests/findings/test_belief.py"]),
}
"""Name of a piece → (what is changed, the tests that should notice)."""

MUTMUT = [sys.executable, "-c", "from mutmut.__main__ import cli; cli()"]
NONE = ["no_such_mutant"]
UNNOTICED = {0: "survived", 5: "no test", 33: "no test"}


def prepare(at: Path, piece: str) -> None:
    """Bring the copy to what the checkout holds; equal files keep their time, so mutmut can see
    what changed."""
    at.mkdir(parents=True, exist_ok=True)
    for source, target in (
        ("logger/sagline_logger", "src/sagline_logger"),
        ("analyser/sagline_analyser", "src/sagline_analyser"),
        ("tests", "tests"),
        ("protocol_docs", "protocol_docs"),
    ):
        names = subprocess.run(
            ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard", source],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=True,
        ).stdout.split("\0")
        for name in filter(None, names):
            old, new = ROOT / name, at / target / Path(name).relative_to(source)
            if not old.is_file() or (new.is_file() and new.read_bytes() == old.read_bytes()):
                continue
            new.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(old, new)
            (at / "mutants" / new.relative_to(at)).unlink(missing_ok=True)
    changed, tests = PIECES[piece]
    (at / "mutants" / "src").mkdir(
        parents=True, exist_ok=True
    )  # a path that is missing is forgotten
    (at / "pyproject.toml").write_text(
        f"""[tool.pytest.ini_options]
addopts = "--strict-markers --import-mode=importlib -p no:cacheprovider"
pythonpath = ["tests"]
[tool.mutmut]
source_paths = ["src"]
only_mutate = {json.dumps(changed)}
also_copy = ["protocol_docs"]
use_git_change_detection = false
pytest_add_cli_args_test_selection = {json.dumps(tests)}
""",
        encoding="utf-8",
    )


def mutate(at: Path, seconds: float, children: int, names: list[str]) -> None:
    """Try the mutants ``names``, or all that were not tried yet, for at most ``seconds``."""
    environment = {**os.environ, "PYTHONPATH": str(at / "mutants" / "src")}
    command = [*MUTMUT, "run", "--max-children", str(children), *names]
    run = subprocess.Popen(
        command,
        cwd=at,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )
    try:
        said, _ = run.communicate(timeout=seconds)
        if run.returncode and names != NONE:
            raise SystemExit(said.decode(errors="replace")[-3000:])
    except subprocess.TimeoutExpired:
        os.killpg(run.pid, signal.SIGKILL)  # a mutant may never end; what was found is kept already
        run.communicate()


def results(at: Path, piece: str) -> dict[str, dict[str, int | None]]:
    """Return the module → mutant → exit status of its tests, None where it was not tried."""
    found = {}
    for pattern in PIECES[piece][0]:
        for meta in sorted((at / "mutants").glob(f"{pattern}.meta")):
            statuses = json.loads(meta.read_text(encoding="utf-8"))["exit_code_by_key"]
            if statuses:
                found[meta.name.removesuffix(".py.meta")] = statuses
    return found


def sample(found: dict[str, dict[str, int | None]], percent: float) -> list[str]:
    """Return the mutants still to be tried of a sample that is the same each time."""
    chance = random.Random(1)
    return [
        name
        for statuses in found.values()
        for name, status in statuses.items()
        if chance.random() * 100 < percent and status is None
    ]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("piece", choices=PIECES)
    parser.add_argument("--seconds", type=float, default=540, help="stop after that long (540)")
    parser.add_argument("--sample", type=float, help="percent of each module's mutants, by chance")
    parser.add_argument("--children", type=int, default=1, help="processes at a time (1)")
    parser.add_argument("--show", action="store_true", help="print each mutant that no test saw")
    parser.add_argument("--at", type=Path, default=Path(tempfile.gettempdir()) / "sagline_mutants")
    chosen = parser.parse_args()
    at = chosen.at / chosen.piece
    prepare(at, chosen.piece)
    names: list[str] = []
    if chosen.sample and chosen.seconds:
        mutate(at, chosen.seconds, 1, NONE)  # they are named, none is tried
        names = sample(results(at, chosen.piece), chosen.sample)
    if chosen.seconds and (names or not chosen.sample):
        mutate(at, chosen.seconds, chosen.children, names)
    whole: Counter[str] = Counter()
    print("| module | killed | tried | share | mutants |\n|---|---|---|---|---|")
    for module, statuses in results(at, chosen.piece).items():
        tried = [status for status in statuses.values() if status is not None]
        killed = sum(status not in UNNOTICED for status in tried)
        whole.update(killed=killed, tried=len(tried), mutants=len(statuses))
        share = f"{killed / len(tried):.0%}" if tried else "–"
        print(f"| {module} | {killed} | {len(tried)} | {share} | {len(statuses)} |")
    print(f"| all | {whole['killed']} | {whole['tried']} | ", end="")
    print(f"{whole['killed'] / max(whole['tried'], 1):.1%} | {whole['mutants']} |")
    if chosen.show:
        for statuses in results(at, chosen.piece).values():
            for mutant, status in statuses.items():
                if status in UNNOTICED:
                    print(f"\n{mutant}: {UNNOTICED[status]}", flush=True)
                    subprocess.run([*MUTMUT, "show", mutant], cwd=at, check=False)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
