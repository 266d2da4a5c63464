"""The planted log, shared by the real command; and a browser without a network."""

import subprocess
from pathlib import Path

import pytest

from support.shared_logs import planted_log
from support.started import run_text


def command(*words: object, program: str = "analyser") -> "subprocess.CompletedProcess[str]":
    return run_text([f"sagline_{program}", *words])


@pytest.fixture(scope="session")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The planted log, in a folder and under a name that are secrets themselves."""
    path = tmp_path_factory.mktemp("SecretFolder") / "SecretName.sagline"
    path.write_bytes(planted_log())
    return path


@pytest.fixture(scope="session")
def folder(log: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Page and pictures of ``log`` with nothing kept, written by the real command."""
    out = tmp_path_factory.mktemp("shared")
    done = command(
        "share",
        log,
        "-o",
        out / "page.html",
        "--picture",
        out / "still.svg",
        "--picture",
        out / "still.png",
    )
    assert done.returncode == 0, done.stderr
    (out / "said.txt").write_text(done.stdout)
    return out
