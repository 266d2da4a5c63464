"""Earlier rides of a pack, through the command line: listed by ``rides``, used by ``summary`` and
``plot``, and counted in what they say."""

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from sagline_analyser.cli import main
from sagline_logger.format import SIGNATURE, Capture, Setting, encode_frame
from sagline_logger.simulator import KESTREL, Leg, Scenario, Simulation
from support.logs import WALL, at
from support.ride_library import DAY

LEGS = (
    Leg("stand", 0.0, seconds=6.0),
    Leg("launch", 7.0, until_distance=300.0),
    Leg("stop", 0.0, brake=0.5, until_stopped=True),
    Leg("stand", 0.0, seconds=75.0),
)
BOARD = f"""name = "{KESTREL.name}"
[battery]
cell_full = 4.2
cell_alarm = 3.3
[[battery.units]]
name = "box"
series = {KESTREL.pack.series}
parallel = 1
cell_capacity = {KESTREL.pack.capacity}
"""
SOUND = replace(KESTREL, pack=replace(KESTREL.pack, weak_cell=None))


def write(path: Path, day: int, pack: str) -> Path:
    """Write a ride of day ``day`` on ``pack``."""
    simulation = Simulation(SOUND, Scenario("errand", LEGS, charge=0.8), seed=day, step=10_000)
    wall = WALL + day * DAY
    frames = [encode_frame(Capture(at(0, wall), "test", "a builder", "").encode())]
    if pack:
        frames.append(encode_frame(Setting(at(0, wall), "pack", pack).encode()))
    frames += [one.data for one in simulation.run()]
    path.write_bytes(b"".join([SIGNATURE, *frames]))
    return path


@pytest.fixture(scope="module")
def garage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three rides of pack A, and one of pack B between them."""
    found = tmp_path_factory.mktemp("garage")
    for day, pack in enumerate(("A", "a", "B", "A")):
        write(found / f"{day}.sagline", day, pack)
    board = found / "board.toml"
    board.write_text(BOARD, encoding="utf-8")
    return found


def how(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    """Return how the state of charge was found, by ``summary --json``."""
    assert main(["summary", *map(str, arguments), "--json"]) == 0
    answers = json.loads(capsys.readouterr().out)["answers"]
    figures = next(one for one in answers if one["key"] == "pack_range")["figures"]
    return str(next(f["how"] for f in figures if f["label"].startswith("state of charge")))


def test_the_index_beside_a_log_is_used_once_it_is_there(garage, capsys, tmp_path):
    log, board = garage / "3.sagline", garage / "board.toml"
    before = how(capsys, log, "--board", board)
    assert "earlier ride" not in before
    assert main(["rides", str(garage)]) == 0
    capsys.readouterr()
    # Rides 0 and 1 are of pack A and earlier; 2 is of another.
    assert "2 earlier rides of this pack" in how(capsys, log, "--board", board)
    assert "earlier ride" not in how(capsys, garage / "2.sagline", "--board", board)
    page = tmp_path / "page.html"
    assert main(["plot", str(log), "--board", str(board), "-o", str(page)]) == 0
    text = page.read_text(encoding="utf-8")
    assert re.search(r"2 earlier rides of this pack", text)


def test_another_directory_is_worked_out_when_named(garage, capsys, tmp_path):
    log = write(tmp_path / "new.sagline", 9, "A")
    board = garage / "board.toml"
    assert "earlier ride" not in how(capsys, log, "--board", board)
    assert "3 earlier rides of this pack" in how(capsys, log, "--board", board, "--earlier", garage)
    nameless = write(tmp_path / "nameless.sagline", 9, "")
    assert "earlier ride" not in how(capsys, nameless, "--earlier", garage)


def test_a_directory_that_is_not_there_is_one_clear_line(garage, capsys, tmp_path):
    assert main(["summary", str(garage / "3.sagline"), "--earlier", str(tmp_path / "no")]) != 0
    told = capsys.readouterr().err.strip()
    assert "is no directory" in told and "\n" not in told
