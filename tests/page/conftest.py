"""A simulated ride as a log and as a report, and browsers to open reports in."""

import subprocess
import sys
from pathlib import Path

import pytest

from sagline_analyser.load import Ride, load_ride
from support.kept import kept

BOARD = Path(__file__).parents[2] / "analyser" / "sagline_analyser" / "demo_board.toml"


def run(*words: str, **options: object) -> "subprocess.CompletedProcess[bytes]":
    return subprocess.run([sys.executable, "-m", *words], timeout=300, **options)  # type: ignore[call-overload, no-any-return]


@pytest.fixture(scope="session")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two minutes of the bread run, every channel at 100 Hz, straight from the simulated board."""
    path = tmp_path_factory.mktemp("ride") / "bread-run.sagline"
    words = ["simulate", "--stdout", "--speed", "0", "--seconds", "120", "--streams", "wide"]

    def make() -> bytes:
        return run("sagline_logger.cli", *words, stdout=subprocess.PIPE, check=True).stdout

    path.write_bytes(kept("bread run, wide", make))
    return path


@pytest.fixture(scope="session")
def ride(log: Path) -> Ride:
    return load_ride(log)


@pytest.fixture(scope="session")
def page(log: Path) -> Path:
    """The report of ``log``, written by the real command."""
    path = log.with_suffix(".html")
    words = ["plot", str(log), "-o", str(path), "--board", str(BOARD)]

    def make() -> bytes:
        run("sagline_analyser.cli", *words, check=True)
        return path.read_bytes()

    path.write_bytes(kept("report of the bread run", make))
    return path
