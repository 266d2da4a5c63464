"""Every wrong start gets one clear line and a non-zero exit, through the real command."""

import os
import signal
from pathlib import Path

import pytest

from sagline_logger.format import End
from support.capture import Contents, Logger, command, logged, port_at, recording, wait_until
from support.frames import Device

# Root may open anything; without these two capabilities it is held to permissions like all others.
AS_ANYONE = (
    ("setpriv", "--bounding-set=-dac_override,-dac_read_search") if os.geteuid() == 0 else ()
)


def refused(*arguments: object, under: tuple[str, ...] = (), status: int = 1) -> str:
    """Run a command that must fail and return its only line."""
    ended, out, errors = command(*arguments, under=under)
    assert ended == status
    assert out == ""
    (line,) = errors
    assert line.startswith("sagline-logger: ")
    return line


def test_port_missing(tmp_path: Path) -> None:
    line = refused("record", "--serial", tmp_path / "none", "--out", tmp_path)
    assert "none: there is no such port; plug the board in" in line


def test_port_busy_with_another_capture(tmp_path: Path) -> None:
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path) as first,
    ):
        line = refused("record", "--serial", port.path, "--out", tmp_path / "second")
        assert "the port is busy; another program or another capture holds it" in line
        assert not (tmp_path / "second").exists()
        sent = b"".join(Device().run(3))  # the first capture goes on undisturbed
        port.send(sent)
        wait_until(lambda: Contents(logged(tmp_path)).stream == sent)
        assert first.stop(signal.SIGTERM)[0] == 0


def test_no_permission_for_the_port(tmp_path: Path) -> None:
    with port_at(tmp_path / "port") as port:
        port.path.chmod(0)
        line = refused("record", "--serial", port.path, "--out", tmp_path, under=AS_ANYONE)
    assert "no permission to open the port; on Linux: sudo usermod -aG dialout" in line


@pytest.mark.parametrize("what", ["a file", "a directory"])
def test_not_a_port(tmp_path: Path, what: str) -> None:
    (tmp_path / "a file").write_text("hello")
    (tmp_path / "a directory").mkdir()
    line = refused("record", "--serial", tmp_path / what, "--out", tmp_path)
    assert "not a serial port" in line


def test_a_speed_no_port_takes(tmp_path: Path) -> None:
    with port_at(tmp_path / "port") as port:
        line = refused("record", "--serial", port.path, "--out", tmp_path, "--baud", "9" * 12)
    assert "--baud" in line


@pytest.mark.parametrize("obstacle", ["read-only", "below a file"])
def test_unwritable_directory(tmp_path: Path, obstacle: str) -> None:
    out = tmp_path / "logs"
    if obstacle == "read-only":
        out.mkdir(mode=0o555)
    else:
        out.write_text("")
        out /= "deeper"
    with port_at(tmp_path / "port") as port:
        line = refused("record", "--serial", port.path, "--out", out, under=AS_ANYONE)
    assert f"{out}: cannot create a log here" in line
    assert "choose another directory with --out" in line


@pytest.mark.parametrize(
    ("content", "complaint"),
    [(None, "no such file"), ("", "is empty"), ("{}" * 50, "not a sagline log")],
)
def test_replay_of_no_log(tmp_path: Path, content: str | None, complaint: str) -> None:
    log = tmp_path / "some.sagline"
    if content is not None:
        log.write_text(content)
    line = refused("record", "--replay", log, "--out", tmp_path)
    assert "some.sagline" in line
    assert complaint in line.lower()


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        (None, "cannot read the board file"),
        (b"name = \n", "board.toml:1:"),
        (b"# fine\n\xff\n", "board.toml:2: the board file is not UTF-8"),
        (b"#" * 70_000, "longer than 64 KiB"),
    ],
)
def test_board_file(tmp_path: Path, content: bytes | None, complaint: str) -> None:
    board = tmp_path / "board.toml"
    if content is not None:
        board.write_bytes(content)
    line = refused("record", "--serial", "any", "--out", tmp_path, "--board", board)
    assert complaint in line
    assert str(board) in line


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("--setting", "no equals sign"), "not NAME=VALUE"),
        (("--setting", "=3"), "not NAME=VALUE"),
        (("--seconds", "0"), "not a number above zero"),
        (("--seconds", "nan"), "not a number above zero"),
        (("--seconds", "soon"), "not a number above zero"),
        (("--baud", "-9600"), "not a whole number above zero"),
        (("--replay", "too.sagline"), "not allowed with argument"),
    ],
)
def test_options_that_make_no_sense(arguments: tuple[str, str], complaint: str) -> None:
    status, _, errors = command("record", "--serial", "any", "--out", "any", *arguments)
    assert status == 2  # argparse's own
    assert complaint in errors[-1]


@pytest.mark.parametrize(
    "arguments",
    [
        ("--note", "é" * 600, "1200 bytes, over its limit of 1024"),
        ("--setting", "n" * 49 + "=1", "49 bytes, over its limit of 48"),
        ("--setting", "n=" + "v" * 1025, "over its limit of 1024"),
        ("--note", "caf\udce9", "bytes that are not UTF-8"),  # é of another encoding
    ],
)
def test_texts_that_no_record_takes(arguments: tuple[str, str, str]) -> None:
    option, text, complaint = arguments
    line = refused("record", "--serial", "any", "--out", "any", option, text, status=2)
    assert f"{option} " in line
    assert complaint in line


def test_a_wrong_speed_is_told_while_recording_and_the_bytes_are_kept(tmp_path: Path) -> None:
    # What 9600 baud makes of faster data: bytes without sense, a zero among them now and then.
    garbage = bytes((n * n * 31 + 7) % 256 for n in range(2000))
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path, "--baud", "9600") as logger,
    ):
        port.send(garbage)
        line = logger.wait_for("none of them make a frame")
        assert "at 9600" in line
        assert "wrong speed (--baud)" in line
        assert logger.stop(signal.SIGTERM)[0] == 0
    assert Contents(logged(tmp_path)).stream == garbage


def test_a_silent_port_is_told_while_recording(tmp_path: Path) -> None:
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path) as logger,
    ):
        assert "is the board on" in logger.wait_for("nothing arrives")


def test_the_log_is_whole_though_nobody_reads_the_output(tmp_path: Path) -> None:
    sent = b"".join(Device().run(5))
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path) as logger,
    ):
        assert logger.process.stdout is not None
        logger.process.stdout.close()
        port.send(sent)
        wait_until(lambda: Contents(logged(tmp_path)).stream == sent)
        logger.process.send_signal(signal.SIGTERM)
        logger.process.wait()
    assert Contents(logged(tmp_path)).all(End)


def test_output_cut_short_by_its_reader_is_no_traceback(tmp_path: Path) -> None:
    log = tmp_path / "some.sagline"
    log.write_bytes(b"".join(Device().run(3)))
    with Logger("verify", log).process as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.close()
        assert process.wait() == 1
        assert process.stderr.read() == ""


def test_find_lists_ports_and_says_why_there_is_no_bluetooth(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/none")
    status, out, errors = command("find", "--seconds", "1")
    assert errors == []
    assert status == (0 if "--serial " in out else 1)
    assert ("no serial ports" in out) == (status == 1)
    assert "no Bluetooth LE: " in out
