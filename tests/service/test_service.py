"""The systemd unit: what systemd says of it, and its command line run as it stands.

``systemd-analyze verify`` is the outside reference.  No service manager runs here, so starting at
boot is not tried; waiting for the port and stopping by the unit's signal are, by its own command.
"""

import configparser
import re
import shlex
import signal
import subprocess
from pathlib import Path

import pytest

from sagline_logger.format import End, Samples
from sagline_logger.preride import checks
from support.capture import LOGGER, Contents, Logger, logged, port_at, wait_until
from support.frames import Device

DOCS = Path(__file__).parents[2] / "docs"
UNIT = (DOCS / "sagline-logger.service").read_text()
PAGE = (DOCS / "single_board_computer.md").read_text()
PROGRAM = "/opt/sagline/bin/sagline-logger"


@pytest.fixture
def unit() -> configparser.ConfigParser:
    parsed = configparser.ConfigParser(interpolation=None)
    parsed.optionxform = str  # type: ignore[assignment,method-assign]
    parsed.read_string(UNIT)
    return parsed


def verify(directory: Path, text: str) -> tuple[int, str]:
    """Return (exit status, messages) of systemd-analyze for a unit with our own program in it."""
    path = directory / "sagline-logger.service"
    path.write_text(text.replace(PROGRAM, LOGGER))
    done = subprocess.run(["systemd-analyze", "verify", path], capture_output=True, text=True)
    return done.returncode, done.stdout + done.stderr


def test_systemd_finds_nothing_wrong(tmp_path: Path) -> None:
    assert verify(tmp_path, UNIT) == (0, "")


def test_systemd_would_find_a_mistake(tmp_path: Path) -> None:
    assert (
        "TimeoutStopSeconds"
        in verify(tmp_path, UNIT.replace("TimeoutStopSec=10", "TimeoutStopSeconds=10"))[1]
    )
    status, messages = verify(tmp_path, UNIT.replace(PROGRAM, "/nowhere/sagline-logger"))
    assert status != 0
    assert "not executable" in messages


def test_it_is_not_root_and_stops_by_a_signal_the_logger_obeys(
    unit: configparser.ConfigParser,
) -> None:
    service = unit["Service"]
    assert service["User"] not in ("root", "0")
    assert (
        f"useradd --system --home-dir /var/lib/{service['StateDirectory']} {service['User']}"
        in PAGE
    )
    assert service["SupplementaryGroups"] == "dialout"
    assert service["KillSignal"] == "SIGTERM"
    assert service["TimeoutStopSec"] == "10" and "systemd waits 10 s" in PAGE
    assert service["Restart"] == "on-failure"
    assert f"EnvironmentFile={re.search(r'Write `(.*?)`', PAGE)[1]}" in UNIT  # type: ignore[index]


def test_its_command_waits_for_the_port_and_ends_the_log_on_sigterm(
    unit: configparser.ConfigParser, tmp_path: Path
) -> None:
    options = re.search(r"^SAGLINE_OPTIONS=(.*)$", PAGE, re.MULTILINE)
    assert options
    board = tmp_path / "board.toml"
    board.write_text('name = "Kestrel"\n')
    state = tmp_path / "state"
    state.mkdir()
    words = [
        {"/var/lib/sagline": str(state), "/etc/sagline/board.toml": str(board)}.get(word, word)
        for word in shlex.split(
            unit["Service"]["ExecStart"].replace("$SAGLINE_OPTIONS", options[1])
        )
    ]
    words[words.index("--serial") + 1] = str(tmp_path / "port")
    assert words.pop(0) == PROGRAM
    logger = Logger(*words)
    try:
        logger.wait_for("port")  # it says that it waits
        with port_at(tmp_path / "port") as port:
            logger.wait_for("recording")
            device = Device()
            port.send(b"".join(device.run(20)))
            wait_until(lambda: len(Contents(logged(state)).all(Samples)) == 20)
            status, _, _ = logger.stop(getattr(signal, unit["Service"]["KillSignal"]))
    finally:
        logger.kill()
    assert status == 0
    log = Contents(logged(state))
    (end,) = log.all(End)
    assert "SIGTERM" in end.reason
    assert log.damaged == []


def test_the_pages_bounds_are_those_of_the_check() -> None:
    rows = {
        cells[0].strip(): [cell.strip() for cell in cells[1:3]]
        for cells in (line.strip("|").split("|") for line in PAGE.splitlines() if "|" in line)
    }
    stated = {
        "bytes that were no frame; samples lost": (checks.LOSS, 100, "%"),
        "stream rate against its description": (checks.RATE_ERROR, 100, "%"),
        "cell spread at rest": (checks.SPREAD, 1000, "mV"),
        "sum of cells against pack voltage": (checks.SUM_ERROR, 100, "%"),
        "part against ambient temperature": (checks.WARMTH, 1, "K"),
        "between parts of one sort": (checks.UNALIKE, 1, "K"),
        "throttle with nobody at it": (checks.THROTTLE, 100, "%"),
        "device clock, beyond the doubt of ten seconds": (checks.DRIFT, 1, "ppm"),
    }
    for name, (bounds, factor, mark) in stated.items():
        wanted = [f"{factor * bound:.6g} {mark}" if bound else "none" for bound in bounds]
        assert rows[name] == wanted
    current = "standing current (or this share of the nearest limit, if that is more)"
    assert rows[current] == [f"{amperes:g} A ({amperes:g} %)" for amperes in checks.CURRENT]
    assert checks.SPACE == 2
