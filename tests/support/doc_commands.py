"""Commands and Python blocks of the documentation, and how a test runs them.

docs/README.md states the convention for whoever writes a page: a page's blocks run in order in a
directory that holds the files it may name (``prepare``); a port that a page names becomes the
simulated board's; ``record`` and ``check`` end after a second unless they say when; what a test
cannot run is in :data:`NOT_RUN` with the reason.
"""

import contextlib
import io
import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from sagline_analyser.cli import main as analyser
from support.capture import LOGGER
from support.doc_rides import RIDE
from support.sketch import Sketch

NOT_RUN = (
    (r"^sudo (?!-u sagline )", "changes the system"),
    (r"^(systemctl|journalctl|bluetoothctl|rfkill) ", "asks a service of the whole system"),
    (r"--ble\b", "needs a radio; tests/ble runs these commands against a stand-in"),
    (r"--tcp\b", "needs a bridge; tests/capture runs these commands against one"),
    (r"--can\b|--dbc\b", "needs a bus; tests/can_bus runs these commands on one"),
    (r"^sagline-logger find --all", "connects to every device in range; see tests/ble"),
    (r"^ls -l /dev/", "there may be no serial port here"),
    (r"pip install", "installs from a package registry; the test set-up itself does so"),
    (r"-m pytest", "the tests themselves"),
    (r"^\. ", "only sets up the shell"),
    (r"tests/mutation/run", "tries thousands of changed lines, for hours"),
    (r"make_screenshots", "run by a test of its own, on a shorter ride"),
)
"""Commands that are not run as a page has them: a pattern, and why."""

PLACES = (
    ("sudo -u sagline ", ""),
    ("/opt/sagline/bin/", ""),
    ("/etc/sagline/board.toml", "my_board.toml"),
    ("/var/lib/sagline", "rides"),
    ("NAME.sagline", RIDE),
)
"""Who runs a service and where it keeps things, and what stands for them in a test."""

ONCE = ("find", "verify", "summary", "plot", "compare")
"""Commands whose output no later command of a page needs."""
_DONE: set[str] = set()

PORT = re.compile(r"/dev/(?:ttyUSB0|ttyACM0|pts/\d+|serial/by-id/\S+)|(?<=--serial )PORT\b")
PROGRAMS = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")])


@dataclass(frozen=True)
class Block:
    """A fenced block: the language after the fence, its first line's number, and its text."""

    language: str
    line: int
    text: str

    def commands(self) -> list[str]:
        """Return the commands of a shell block, continued lines joined, comments left out."""
        lines = re.sub(r"\s*\\\n\s*", " ", self.text).splitlines()
        return [line for line in map(str.strip, lines) if line and not line.startswith("#")]


def blocks(page: Path) -> Iterator[Block]:
    """Yield the fenced blocks of a page, also those inside list items."""
    text = page.read_text()
    for found in re.finditer(r"^( *)```(\w*)\n(.*?)^\1```$", text, re.M | re.S):
        inside = re.sub(f"^{found[1]}", "", found[3], flags=re.M)
        yield Block(found[2], text.count("\n", 0, found.start()) + 1, inside)


def why_not(command: str) -> str:
    """Return why ``command`` is not run, empty if it is."""
    return next((why for pattern, why in NOT_RUN if re.search(pattern, command)), "")


class Session:
    """Runs the blocks of one page, in order, in one directory."""

    def __init__(self, directory: Path, sketch: str = "") -> None:
        self._directory = directory
        self._sketch = Sketch(directory, sketch) if sketch else None
        self._names: dict[str, object] = {"__name__": "page"}
        self._boards: list[subprocess.Popen[str]] = []
        self._waiting: list[str] = []

    def close(self) -> None:
        """End the simulated boards."""
        if self._sketch is not None:
            self._sketch.close()
        for board in self._boards:
            board.terminate()
            board.communicate()

    def run(self, block: Block) -> str:
        """Run one block and return its output; an error is an AssertionError or its own."""
        with contextlib.chdir(self._directory), contextlib.redirect_stdout(io.StringIO()) as out:
            if block.language == "python":
                exec(compile(block.text, f"line {block.line}", "exec"), self._names)
            else:
                for command in block.commands():
                    if not why_not(command):
                        print(self._command(command))
            return out.getvalue()

    def _command(self, command: str) -> str:
        """Run one command; what other pages have already run on the same files, only once."""
        for there, here in PLACES:
            command = command.replace(there, here)
        words = shlex.split(command, comments=True)
        if command in _DONE:
            return ""
        if words[1] in ONCE:
            _DONE.add(command)
        if words[:2] == ["sagline-logger", "simulate"] and "--stdout" not in words:
            self._waiting.append(self._board(words[2:]))
            return ""
        if PORT.search(command):
            if self._sketch is not None:
                port = self._sketch.port
            else:
                port = self._waiting.pop() if self._waiting else self._board([])
            command = PORT.sub(port, command.partition(" #")[0])
        if words[:3] == ["sagline-logger", "board", "--new"]:
            Path(words[3]).unlink(missing_ok=True)  # the command never overwrites
        if words[:2] in (["sagline-logger", "record"], ["sagline-logger", "check"]):
            command += "" if "--seconds" in words else " --seconds 1"
        if words[:2] == ["sagline-logger", "listen"]:
            command += " --seconds 4"
        if words[0] == "sagline-analyser" and not set("|<>;&") & set(command):
            return self._analyser(shlex.split(command, comments=True)[1:])
        done = subprocess.run(
            ["bash", "-ec", command],
            capture_output=True,
            text=True,
            timeout=120,
            env=os.environ | {"PATH": PROGRAMS, "HOME": str(self._directory)},
        )
        fine = (0, 1, 3) if words[1:2] == ["check"] else (0,)  # a moving board is no standing one
        assert done.returncode in fine, f"{command}: {done.stdout}{done.stderr}"
        assert "Traceback" not in done.stderr, done.stderr
        return done.stdout

    def _analyser(self, words: list[str]) -> str:
        """Run the analyser in this process, which has its packages loaded already."""
        given = [p for w in words for p in (sorted(map(str, Path().glob(w))) if "*" in w else [w])]
        out, err = io.StringIO(), io.StringIO()
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                status = analyser(given)
        except SystemExit as stop:
            status = stop.code  # type: ignore[assignment]
        assert status in (0, None), f"sagline-analyser {given}: {out.getvalue()}{err.getvalue()}"
        return out.getvalue()

    def _board(self, words: list[str]) -> str:
        """Start a simulated board and return the path of its port."""
        length = [] if "--scenario" in words else ["--seconds", "60"]
        board = subprocess.Popen(
            [LOGGER, "simulate", *length, *words], stdout=subprocess.PIPE, text=True
        )
        self._boards.append(board)
        assert board.stdout is not None
        said = board.stdout.readline()
        assert said.startswith("serial port: "), said
        return said.rpartition(" ")[2].strip()
