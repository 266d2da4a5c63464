"""The debug log that the environment asks for."""

import os
import subprocess
import sys
from pathlib import Path

PROGRAM = (sys.executable, "-m", "sagline_logger")


def verify(log: Path, debug: str | None) -> subprocess.CompletedProcess[str]:
    known = {key: value for key, value in os.environ.items() if key != "SAGLINE_DEBUG"}
    if debug is not None:
        known["SAGLINE_DEBUG"] = debug
    return subprocess.run(
        [*PROGRAM, "verify", str(log)], env=known, capture_output=True, text=True, timeout=60
    )


def test_it_is_silent_unless_asked_for_and_loads_nothing(tmp_path: Path) -> None:
    done = verify(tmp_path / "none.sagline", None)
    assert done.stderr.count("\n") == 1
    ask = "import sys, sagline_logger.format.program; print('logging' in sys.modules)"
    known = subprocess.run([sys.executable, "-c", ask], capture_output=True, text=True)
    assert known.stdout == "False\n"


def test_it_holds_the_call_and_the_reason_behind_a_line(tmp_path: Path) -> None:
    log = tmp_path / "no\x1b[2Jne.sagline"
    done = verify(log, "1")
    assert done.returncode == 1
    assert "verify" in done.stderr and "FileNotFoundError" in done.stderr
    assert done.stderr.splitlines()[-1].startswith("sagline-logger: ") and "\x1b" not in done.stderr


def test_a_file_grows_by_it_and_one_that_cannot_is_told(tmp_path: Path) -> None:
    where = tmp_path / "debug.log"
    for _ in range(2):
        assert verify(tmp_path / "none.sagline", str(where)).stderr.count("\n") == 1
    assert where.read_text().count(" sagline-logger 0.") == 2
    told = verify(tmp_path / "none.sagline", str(tmp_path / "no" / "debug.log")).stderr
    assert told.startswith("SAGLINE_DEBUG: ") and "No such file" in told
