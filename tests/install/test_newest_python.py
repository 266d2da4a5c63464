"""The standard library's part on CPython 3.14, which is to be had for Node where no other is."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from sagline_logger.cli import main as logger
from sagline_logger.simulator import BREAD_RUN
from support.doc_rides import BOARD, ride_log

HERE = Path(__file__).parent / "newest"
ROOT = HERE.parents[2]


def test_it_compiles_loads_and_says_the_same_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    log = ride_log(BREAD_RUN, seconds=5.0)
    (tmp_path / "ride.sagline").write_bytes(log)
    (tmp_path / "torn.sagline").write_bytes(log[:20_000] + bytes(999) + log[21_000:-7])
    shutil.copy(BOARD, tmp_path / "plan.toml")
    (tmp_path / "wrong.toml").write_text("nme = 1\n[battery]\ncell_full = 'x'\n")
    done = subprocess.run(
        ["node", HERE / "run.mjs", ROOT, tmp_path], capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0, done.stderr[-3000:]
    told = [json.loads(line) for line in done.stdout.splitlines() if line]
    assert told[0] == ["python", [3, 14]]
    names = [name for name, _ in told]
    assert not {"not compiled", "not loaded"} & set(names), told
    loaded = dict(told)["loaded"]
    assert {"sagline_logger.format", "sagline_logger.capture.recorder"} <= set(loaded)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    commands = told[names.index("loaded") + 1 :]
    assert len(commands) == 8
    for line, (status, said) in commands[:-1]:
        assert (logger(line.split()), "".join(capfd.readouterr())) == (status, said), line
    assert commands[-1][1][0] == 0 and "--speed" in commands[-1][1][1]
