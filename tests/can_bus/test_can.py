"""CAN as a source: a signal of a DBC becomes a channel with its unit, every frame is kept.

Outside reference: cantools' own reading of the same frames; python-can's buses and log files.
"""

import random
import signal
import subprocess
import sys
import time
from decimal import Decimal
from pathlib import Path

import can
import pytest

from sagline_logger.capture import can_source
from sagline_logger.capture.can_bytes import HEAD
from sagline_logger.capture.can_frames import frames_by
from sagline_logger.capture.can_source import CanSource
from sagline_logger.capture.desk import CaptureDesk
from sagline_logger.capture.recorder import Request
from sagline_logger.format import (
    Dropped,
    Event,
    FilePart,
    Instant,
    Link,
    LinkState,
    Raw,
    RawForm,
    RawUse,
    Samples,
    Stream,
)
from support.can_bus import DBC, MAP, decoded, drive, frame, mixed, multicast_bus
from support.capture import Contents, command, logged, recording, the_log, wait_until


def values(contents: Contents) -> dict[str, list[dict[str, Decimal | None]]]:
    """Return the samples of every stream, each as its channels' exact values by key."""
    streams = {stream.stream: stream for stream in contents.all(Stream)}
    found: dict[str, list[dict[str, Decimal | None]]] = {s.name: [] for s in streams.values()}
    for record in contents.all(Samples):
        stream = streams[record.stream]
        for row in record.rows(stream):
            found[stream.name].append(
                {
                    channel.key: None
                    if raw == channel.missing
                    else Decimal(int(raw)) * channel.multiplier * Decimal(10) ** channel.exponent
                    for raw, channel in zip(row, stream.channels, strict=True)
                }
            )
    return found


def test_every_signal_of_every_frame_is_what_cantools_reads(tmp_path: Path) -> None:
    frames = mixed(2000)
    with multicast_bus() as bus:
        arguments = (*bus.arguments, "--dbc", DBC, "--out", tmp_path)
        with recording(*arguments) as logger:
            bus.send(frames)
            wait_until(lambda: len(Contents(logged(tmp_path)).all(Samples)) == 1600)
            status, _, errors = logger.stop(signal.SIGTERM)
    assert status == 0, errors
    contents = Contents(logged(tmp_path))
    found = values(contents)
    for name, scale in (("Drive", "duty_cycle"), ("Heat", "")):
        expected = decoded(frames, name)
        for row in expected:
            if scale:
                row[scale] /= 100  # the standard unit is a plain ratio
        assert [
            {key: one and round(one, 9) for key, one in row.items()} for row in found[name]
        ] == (expected)
    cells = [{k: v for k, v in row.items() if v is not None} for row in found["Cells"]]
    assert cells == decoded(frames, "Cells")
    units = {c.key: c.unit for stream in contents.all(Stream) for c in stream.channels}
    assert units["pack_voltage"] == "V"
    assert units["motor_temperature"] == "°C"
    assert units["duty_cycle"] == "1"
    assert units["wheel_speed"] == "km/h"
    # Every frame is kept, also those that the DBC does not name.
    raw = b"".join(record.data for record in contents.all(Raw))
    kept, at = [], 0
    while at < len(raw):
        _, word, size = HEAD.unpack_from(raw, at)
        kept.append((word & 0x1FFFFFFF, bool(word >> 31), raw[at + HEAD.size :][:size]))
        at += HEAD.size + size
    assert kept == [(f.arbitration_id, f.is_extended_id, bytes(f.data)) for f in frames]
    assert {record.form for record in contents.all(Raw)} == {RawForm.CAN}
    assert b"".join(p.data for p in contents.all(FilePart) if p.name == "dbc") == DBC.read_bytes()
    assert command("verify", the_log(tmp_path))[1].rstrip().endswith("Nothing lost.")


def test_a_map_chooses_signals_and_says_what_they_are(tmp_path: Path) -> None:
    plan = tmp_path / "map.toml"
    plan.write_text(MAP)
    frames = [
        drive(1),
        frame("Speed", wheel_speed=36),
        frame("Cells", group=1, cell_voltage_3=3.701, cell_voltage_4=3.702),
    ]
    with multicast_bus() as bus:
        arguments = (*bus.arguments, "--dbc", DBC, "--map", plan, "--out", tmp_path / "log")
        with recording(*arguments) as logger:
            bus.send(frames)
            wait_until(lambda: len(Contents(logged(tmp_path / "log")).all(Samples)) == 3)
            logger.stop(signal.SIGTERM)
    found = values(Contents(logged(tmp_path / "log")))
    assert found["Drive"] == [
        {
            "pack_voltage": Decimal("40.01"),
            "battery_current": Decimal("-149.9"),
            "motor_speed_1": Decimal(-3999),
        }
    ]
    assert found["Cells"] == [{"cell_voltage_3": Decimal("3.701")}]
    # 36 km/h; a hundredth of that is no decimal in m/s, so it is kept a tenth of that as fine.
    (row,) = found["Speed"]
    assert row["speed"] is not None
    assert abs(row["speed"] - 10) < Decimal("0.0005")


def test_the_virtual_bus_at_full_load_loses_nothing(tmp_path: Path) -> None:
    count = 8000  # two seconds
    source = CanSource("full", "virtual", None)
    desk = CaptureDesk(source, Request(tmp_path, translation=frames_by(DBC, None)))
    with can.Bus(interface="virtual", channel="full") as bus:
        desk.start()
        wait_until(lambda: desk.snapshot().stage == "open")
        began = time.monotonic()
        for n in range(count):
            bus.send(drive(n))
            ahead = n / 4000 - (time.monotonic() - began)
            if ahead > 0.002:
                time.sleep(ahead)
        wait_until(lambda: len(Contents(logged(tmp_path)).all(Samples)) == count)
        desk.stop("stopped by a test")
        desk.join(30)
    found = values(Contents(logged(tmp_path)))["Drive"]
    assert [row["pack_voltage"] for row in found] == [
        Decimal(4000 + n % 2000) / 100 for n in range(count)
    ]


@pytest.mark.parametrize("suffix", ["asc", "blf", "log"])
def test_log_files_of_other_programs(tmp_path: Path, suffix: str) -> None:
    """Frames out of python-can's own files of three formats, played back onto a bus."""
    frames = mixed(300)
    path = tmp_path / f"bus.{suffix}"
    with can.Logger(path) as writer:
        for n, one in enumerate(frames):
            one.timestamp = 1_700_000_000 + n * 0.001
            one.channel = 0
            writer(one)
    with (
        multicast_bus() as bus,
        recording(*bus.arguments, "--dbc", DBC, "--out", tmp_path / "log") as logger,
    ):
        with can.LogReader(path) as reader:
            bus.send(can.MessageSync(reader))
        wait_until(lambda: len(Contents(logged(tmp_path / "log")).all(Samples)) == 240)
        logger.stop(signal.SIGTERM)
    contents = Contents(logged(tmp_path / "log"))
    assert [r["pack_voltage"] for r in values(contents)["Drive"]] == [
        row["pack_voltage"] for row in decoded(frames, "Drive")
    ]
    # Each sample stands at its frame's own time, a thousandth of a second apart in the file.
    clocks = [s.clock for s in contents.all(Samples)]
    assert 0.25e6 < (clocks[-1] - clocks[0]) % 2**32 < 3e6  # the clock wraps every 72 minutes


def test_a_frame_that_does_not_fit_is_counted_shown_once_and_kept(tmp_path: Path) -> None:
    short = can.Message(arbitration_id=256, is_extended_id=False, data=[1, 2])
    with (
        multicast_bus() as bus,
        recording(*bus.arguments, "--dbc", DBC, "--out", tmp_path) as logger,
    ):
        bus.send([drive(0), short, short, drive(1)])
        logger.wait_for("a CAN frame cannot be read (identifier 100, 2 bytes")
        wait_until(lambda: len(Contents(logged(tmp_path)).all(Samples)) == 2)
        _, out, errors = logger.stop(signal.SIGTERM)
    assert "2 CAN frames could not be read" in out
    assert sum("cannot be read" in line for line in errors) == 1
    unread = [r for r in Contents(logged(tmp_path)).all(Raw) if r.use is RawUse.NOT_READ]
    assert [r.data[HEAD.size :] for r in unread] == [b"\1\2", b"\1\2"]


def test_a_capture_is_read_again_by_another_map(tmp_path: Path) -> None:
    frames, again, plan = mixed(200), tmp_path / "again.sagline", tmp_path / "map.toml"
    plan.write_text(MAP)
    with (
        multicast_bus() as bus,
        recording(*bus.arguments, "--dbc", DBC, "--map", plan, "--out", tmp_path / "log") as logger,
    ):
        bus.send(frames)
        wait_until(lambda: len(Contents(logged(tmp_path / "log")).all(Samples)) == 120)
        logger.stop(signal.SIGTERM)
    log = the_log(tmp_path / "log")
    status, _, errors = command("reread", log, "--dbc", DBC, "-o", again)
    assert (status, errors) == (0, [])
    contents = Contents(again.read_bytes())
    assert len(contents.all(Samples)) == 160
    cells = [{k: v for k, v in row.items() if v is not None} for row in values(contents)["Cells"]]
    assert cells == decoded(frames, "Cells")
    assert command("verify", again)[1].rstrip().endswith("Nothing lost.")
    _, _, errors = command("reread", log, "--lines", plan, "-o", tmp_path / "lines.sagline")
    assert "its raw bytes are no lines of text" in errors[0] or "column" in errors[0]


def error(word: int) -> can.Message:
    return can.Message(arbitration_id=word, is_error_frame=True, data=bytes(8))


def test_errors_and_bus_off_are_link_events(tmp_path: Path) -> None:
    """Error frames as Linux gives them (linux/can/error.h; numbers from memory)."""
    source = CanSource("errors", "virtual", None)
    told: list[str] = []
    request = Request(tmp_path, translation=frames_by(DBC, None))
    desk = CaptureDesk(source, request, told.append)
    with can.Bus(interface="virtual", channel="errors") as bus:
        desk.start()
        wait_until(lambda: desk.snapshot().stage == "open")
        bus.send(drive(0))
        bus.send(error(0x20))
        bus.send(error(0x80))
        wait_until(lambda: any("errors on the CAN bus" in line for line in told))
        bus.send(drive(1))
        bus.send(error(0x40))
        wait_until(lambda: any("is open again" in line for line in told))
        bus.send(drive(2))
        wait_until(lambda: desk.snapshot().stage == "open")
        desk.stop("stopped by a test")
        desk.join(30)
    contents = Contents(logged(tmp_path))
    events = [(link.state, link.evidence) for link in contents.all(Link)]
    assert any("still up, with error frames: nobody acknowledges" in text for _, text in events)
    downs = [text for state, text in events if state is LinkState.DOWN]
    assert downs == ["errors: bus-off, the controller left the bus after errors"]
    assert events[-1][0] is LinkState.UP
    assert len(contents.all(Samples)) == 3
    assert not contents.all(Event)
    assert command("verify", the_log(tmp_path))[1].count("link down from") == 1


def lost(contents: Contents) -> int:
    """Return how many CAN frames the log says were lost before they were read."""
    told = contents.all(Dropped)
    assert all((one.frames, one.device) == (0, 0) for one in told)
    return sum(int(one.reason.split()[0]) for one in told)


def test_a_logger_that_stands_still_counts_what_the_system_dropped(tmp_path: Path) -> None:
    """What no buffer held is in the count, each frame."""
    count = 60_000
    with (
        multicast_bus() as bus,
        recording(*bus.arguments, "--dbc", DBC, "--out", tmp_path) as logger,
    ):
        bus.send([drive(0)])
        wait_until(lambda: Contents(logged(tmp_path)).all(Samples))
        logger.process.send_signal(signal.SIGSTOP)
        bus.send((drive(n) for n in range(1, count)), rate=1e6)
        logger.process.send_signal(signal.SIGCONT)
        logger.wait_for("CAN frames came faster than this machine took them; they are lost")
        bus.send(drive(n) for n in range(10))
        wait_until(lambda: _settled(tmp_path, count + 10))
        logger.stop(signal.SIGTERM)
    contents = Contents(logged(tmp_path))
    assert lost(contents) > 0
    assert lost(contents) + len(contents.all(Samples)) == count + 10
    status, text, _ = command("verify", "--strict", the_log(tmp_path))
    assert status == 3
    assert "Nothing lost" not in text


def _settled(directory: Path, count: int) -> bool:
    contents = Contents(logged(directory))
    return lost(contents) + len(contents.all(Samples)) == count


def test_a_reader_too_slow_for_its_own_queue_counts_what_it_could_not_hold(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(can_source, "_HELD", 100)
    source = CanSource("slow", "virtual", None)
    with can.Bus(interface="virtual", channel="slow") as bus:
        source.open()
        for n in range(500):
            bus.send(drive(n))
        wait_until(lambda: source._taker is not None and source._taker._full == 400)
        data = source.read(1)
        source.close()
    assert len(data) == 101 * (HEAD.size + 8)
    translator = frames_by(DBC, None).make()
    items = translator.feed(data, Instant(0, 0))
    (told,) = [item for item in items if isinstance(item, Dropped)]
    assert told.reason == "400 CAN frames came faster than this machine took them"
    assert told.size == 400 * HEAD.size


def test_random_bus_offs_lose_and_repeat_nothing_that_was_delivered(tmp_path: Path) -> None:
    luck = random.Random(5)
    source = CanSource("cuts", "virtual", None)
    told: list[str] = []
    desk = CaptureDesk(source, Request(tmp_path, translation=frames_by(DBC, None)), told.append)
    sent = 0
    with can.Bus(interface="virtual", channel="cuts") as bus:
        desk.start()
        wait_until(lambda: desk.snapshot().stage == "open")
        for cut in range(6):
            for _ in range(luck.randrange(1, 300)):
                bus.send(drive(sent))
                sent += 1
            bus.send(error(0x40))
            again = cut + 1
            wait_until(lambda n=again: sum("is open again" in line for line in told) == n)
        bus.send(drive(sent))
        wait_until(lambda: len(Contents(logged(tmp_path)).all(Samples)) == sent + 1)
        desk.stop("stopped by a test")
        desk.join(30)
    contents = Contents(logged(tmp_path))
    assert contents.damaged == []
    assert [row["pack_voltage"] for row in values(contents)["Drive"]] == [
        Decimal(4000 + n % 2000) / 100 for n in range(sent + 1)
    ]
    states = [one.state for one in contents.all(Link) if not one.evidence.startswith("still")]
    assert states == [LinkState.UP] + [LinkState.DOWN, LinkState.UP] * 6
    assert contents.all(Dropped) == []


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "--can: says nothing of what its frames mean; give the bus's DBC with --dbc FILE"),
        (("--dbc", "none.dbc"), "cannot read the DBC (No such file or directory)"),
        (("--dbc", "map.toml"), "no DBC that can be read"),
        (("--dbc", DBC, "--map", "wrong.toml"), "is no signal of kestrel.dbc"),
        (("--dbc", DBC, "--can-interface", "nonsense"), "cannot be used here"),
        (("--dbc", DBC, "--baud", "9600"), "--baud: does not go with --can"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(
    tmp_path: Path, arguments: tuple[object, ...], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("map.toml").write_text(MAP)
    Path("wrong.toml").write_text('[[columns]]\ncolumn = "nothing"\nchannel = "speed"\n')
    status, _, errors = command("record", "--can", "can0", *arguments, "--out", "log")
    assert status == (2 if words.startswith("--") else 1)
    assert len(errors) == 1
    assert words in errors[0]
    assert not Path("log").exists()


@pytest.mark.parametrize("package", ["can", "cantools"])
def test_without_the_extra_one_line_says_what_to_install(tmp_path: Path, package: str) -> None:
    code = (
        f"import sys; sys.modules[{package!r}] = None; from sagline_logger.cli import main; "
        f"sys.exit(main(['record', '--can', 'can0', '--dbc', {str(DBC)!r}, '--out', "
        f"{str(tmp_path / 'log')!r}, '--quiet']))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 1
    assert done.stderr == (
        f"sagline-logger: --can: needs the package {package}; install it with: "
        'pip install "sagline[can]"\n'
    )
    assert not (tmp_path / "log").exists()
