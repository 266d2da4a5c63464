"""What takes long says how far it is: on a terminal only, drawn over itself, gone at the end."""

import contextlib
import io
import re
from pathlib import Path

import pyte
import pytest

from sagline_analyser import answers, load_ride
from sagline_analyser.cli import main as analyser
from sagline_logger.cli import PROGRAM
from sagline_logger.cli import main as logger
from sagline_logger.format import progress
from support.doc_rides import make_directory, write_map

TELLING = {
    "plot kestrel.sagline -o {out}": ("reading kestrel", "working out", "writing the page"),
    "summary kestrel.sagline": ("reading kestrel", "working out"),
    "export kestrel.sagline --to csv -o {out}": ("reading kestrel",),
    "compare trial/a1.sagline trial/b1.sagline -o {out}": ("reading a1", "reading b1"),
    "share kestrel.sagline --at 0:30 -o {out}": ("reading kestrel", "reading window"),
    "archive kestrel.sagline -o {out}": ("packing kestrel", "reading "),
    "rides trial -o {out}": ("working out 5 rides",),
    "import long.csv --suggest": ("looking at long.csv",),
    "import long.csv --map map.toml -o {out}": (" long.csv",),
    "verify kestrel.sagline": ("checking kestrel",),
    "channels kestrel.sagline": ("reading kestrel",),
    "simulate --stdout --speed 0 --seconds 3": ("simulating: 3 s",),
    "check --replay kestrel.sagline --speed 1000 --seconds 0.5": ("listening",),
}
LOGGER = ("verify", "channels", "simulate", "check")


class Screen(io.TextIOWrapper):
    """A terminal that keeps what it was sent."""

    def __init__(self) -> None:
        self.sent = io.BytesIO()
        super().__init__(self.sent, encoding="utf-8", write_through=True)

    def isatty(self) -> bool:
        return True

    def text(self) -> str:
        return self.sent.getvalue().decode("utf-8", "replace")


@pytest.fixture(scope="module")
def rides(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("rides")
    make_directory(directory)
    write_map(directory)
    rows = "".join(f"{n / 100:.2f};48,1\n".replace(".", ",") for n in range(3000))
    (directory / "long.csv").write_text(f"time;pack voltage\n{rows}")
    return directory


@pytest.fixture
def screen(rides: Path, monkeypatch: pytest.MonkeyPatch) -> Screen:
    """Stand in the rides, and let every step be told at once."""
    monkeypatch.chdir(rides)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(progress, "_EVERY", 0.0)
    return Screen()


def run(words: list[str], screen: Screen) -> int:
    """Run a command before the terminal and return its status."""
    with contextlib.redirect_stdout(screen), contextlib.redirect_stderr(screen):
        return (logger if words[0] in LOGGER else analyser)(words)


@pytest.mark.parametrize("line", TELLING)
def test_every_command_that_may_take_long_tells_how_far_it_is(
    line: str, screen: Screen, tmp_path: Path
) -> None:
    words = line.format(out=tmp_path / "out").split()
    status = run(words, screen)
    sent = screen.text()
    assert status == 0 or words[0] == "check", sent
    drawn = re.findall(r"\r([^\r\n]*?)\x1b\[K", sent)
    for what in TELLING[line]:
        assert any(what in one for one in drawn), (what, drawn)
    assert all(len(one) < 80 for one in drawn)
    assert all(re.search(r"\[█* *\] +\d+ %$| \.\.\.$", one) for one in drawn if one), drawn
    # What an independent terminal shows in the end holds none of it.
    if words[0] != "simulate":  # which wrote the ride there
        seen = pyte.Screen(200, 400)
        pyte.Stream(seen).feed(sent.replace("\n", "\r\n"))
        left = "\n".join(seen.display)
        assert not any(one.strip() in left for one in drawn if one.strip())
        assert "\x1b" not in re.sub(r"\r[^\r\n]*?\x1b\[K", "", sent)


def test_nothing_is_drawn_for_python_nor_where_no_terminal_is(
    screen: Screen, monkeypatch: pytest.MonkeyPatch
) -> None:
    with contextlib.redirect_stderr(screen):
        answers(load_ride("kestrel.sagline"))
    assert screen.text() == ""
    monkeypatch.setenv("TERM", "dumb")
    assert run(["verify", "kestrel.sagline"], screen) == 0
    assert "\r" not in screen.text()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(Screen, "isatty", lambda self: False)
    assert run(["verify", "kestrel.sagline"], screen) == 0
    assert "\r" not in screen.text()


def test_a_name_steers_nothing_and_a_terminal_that_goes_away_stops_nothing(
    screen: Screen, monkeypatch: pytest.MonkeyPatch
) -> None:
    with progress.shown(screen):
        progress.tell("\x1b[2Jsteered\n", 1, 2)
    assert "\x1b[2J" not in screen.text() and "\n" not in screen.text()

    def gone(_: str) -> int:
        raise OSError("gone")

    monkeypatch.setattr(screen, "write", gone)
    with progress.shown(screen):
        progress.tell("reading", 1, 2)
        progress.tell("reading", 2, 2)


def test_the_live_view_has_the_terminal_for_itself() -> None:
    assert PROGRAM.alive == {"record"}
