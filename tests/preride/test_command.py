"""``sagline-logger check`` as a program, on a pseudo-terminal under the real pyserial."""

import os
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from sagline_logger.format import CAUTION, SIGNATURE, Instant, Samples, Time, encode_frame
from support.capture import Logger, Port, command, port_at, wait_until
from support.standing_board import StandingBoard

BOARD_FILE = Path(__file__).parents[2] / "analyser" / "sagline_analyser" / "demo_board.toml"
SECONDS = 3


@pytest.fixture
def port(tmp_path: Path) -> Iterator[Port]:
    with port_at(tmp_path / "board") as one:
        yield one


def play(port: Port, board: StandingBoard, *arguments: object) -> tuple[int, str, list[str]]:
    """Run the check while ``board`` sends in real time, and return what came of it."""
    logger = Logger("check", "--serial", port.path, "--seconds", SECONDS, *arguments)
    sender = board.play(port.send, lambda: logger.process.poll() is not None)
    result = logger.finish()
    sender.join(60)
    return result


def verdicts(text: str) -> dict[str, str]:
    return {name: word for word, name in re.findall(r"^(\w{4})  (\S+(?: \S+)*)  ", text, re.M)}


def test_a_healthy_board(port: Port, tmp_path: Path) -> None:
    status, text, errors = play(port, StandingBoard(), "--board", BOARD_FILE, "--out", tmp_path)
    found = verdicts(text)
    assert len(found) == 14
    # What depends on this machine keeping time may warn; the rest must not.
    rest = {word for name, word in found.items() if name not in ("link", "loss", "clock")}
    assert rest == {"pass"}, text
    assert status == (0 if set(found.values()) == {"pass"} else 3 if "FAIL" not in text else 1)
    assert "board 'Kestrel', listened for" in text
    assert "replaces no inspection" in text
    assert text.endswith(CAUTION + "\n")
    assert errors == []


def test_a_failed_check_is_the_exit_status(port: Port) -> None:
    board = StandingBoard(cells=[3.9] * 12 + [3.6])
    status, text, _ = play(port, board, "--board", BOARD_FILE)
    assert status == 1
    assert verdicts(text)["cell spread"] == "FAIL"
    assert re.search(r"→ balance the pack", text)


def test_a_warning_has_a_status_of_its_own(port: Port) -> None:
    board = StandingBoard()
    board.fast["throttle", 0] = 0.03
    status, text, _ = play(port, board)
    assert verdicts(text)["throttle"] == "WARN"
    assert status == (1 if "FAIL" in text else 3)


def test_a_silent_port_fails(port: Port) -> None:
    status, text, _ = command("check", "--serial", port.path, "--seconds", 0.5)
    assert status == 1
    assert "FAIL  link          no byte arrived" in text


def test_a_port_that_vanishes_and_comes_back_while_listening(port: Port) -> None:
    logger = Logger("check", "--serial", port.path, "--seconds", 4)
    wait_until(lambda: holds(logger, port))
    port.unplug()
    port.plug()
    status, text, errors = logger.finish()
    assert (status, errors) == (1, [])
    assert re.search(r"FAIL  link +lost \d+ times \(.+\)\n +→ mend the lead", text), text


def holds(logger: Logger, port: Port) -> bool:
    """Whether the program has opened the port (Linux tells in /proc)."""
    opened = Path(f"/proc/{logger.process.pid}/fd")
    return any(os.path.realpath(link) == os.path.realpath(port.path) for link in opened.iterdir())


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--serial", "/dev/no-such-port"), "/dev/no-such-port: there is no such port; plug"),
        (("--serial", "PORT", "--board", "none.toml"), "none.toml: cannot read the board file"),
        (
            ("--serial", "PORT", "--seconds", "3600"),
            "--seconds: 3600 is too long; give at most 300",
        ),
        (("--serial", "PORT", "--out", "no/where"), "no/where: cannot tell the free space"),
    ],
)
def test_bad_input_is_one_line(port: Port, arguments: tuple[str, ...], message: str) -> None:
    words = [str(port.path) if word == "PORT" else word for word in arguments]
    status, _, errors = command("check", *words)
    assert status == (2 if message.startswith("--") else 1)  # of the command line itself, or not
    (line,) = errors
    assert line.startswith(f"sagline-logger: {message}")


def test_a_log_can_be_checked_too(tmp_path: Path) -> None:
    log = tmp_path / "run.sagline"
    frames = [SIGNATURE]
    for at, record in StandingBoard().records(3):
        if isinstance(record, Samples):
            instant = Instant(round(at * 1e6), 0)
            frames.append(encode_frame(Time(instant, 0).encode()))
        frames.append(encode_frame(record.encode()))
    log.write_bytes(b"".join(frames))
    _, text, _ = command("check", "--replay", log, "--board", BOARD_FILE, "--seconds", 60)
    assert "listening to replay of run.sagline" in text
    assert "0 of 330 samples lost" in text  # it ended by itself, with the log
    assert {word for name, word in verdicts(text).items() if name != "clock"} == {"pass"}


def test_a_replay_faster_than_life_judges_no_clock_and_needs_no_more_space(tmp_path: Path) -> None:
    log = tmp_path / "run.sagline"
    frames = [SIGNATURE]
    for at, record in StandingBoard().records(6):
        if isinstance(record, Samples):
            frames.append(encode_frame(Time(Instant(round(at * 1e6), 0), 0).encode()))
        frames.append(encode_frame(record.encode()))
    log.write_bytes(b"".join(frames))
    rates = {}
    for speed in (1, 8):
        _, text, _ = command("check", "--replay", log, "--speed", speed, "--seconds", 60)
        found = verdicts(text)
        assert found["clock"] == ("open" if speed == 8 else found["clock"])
        assert found["stream rates"] == "pass"
        rates[speed] = float(re.search(r"at ([\d.]+) kB/s", text)[1])  # type: ignore[index]
    assert "clock         not checked: needs a replay at its own pace" in text
    assert rates[8] == pytest.approx(rates[1], rel=0.25)
