"""Serving over a real pseudo-terminal, read by pyserial, and over a pipe."""

import contextlib
import json
import os
import pty
import signal
import subprocess
import sys
import time

import pytest
import serial

from sagline_logger.simulator import TOWN_LOOP, Simulation
from simulator import wire


@contextlib.contextmanager
def served(*options, **popen):
    """Start the command; yield the process, and never leave it behind."""
    command = [sys.executable, "-m", "sagline_logger.cli", "simulate", *map(str, options)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **popen
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def port_of(process):
    words = process.stdout.readline().decode()
    assert words.startswith("serial port: /dev/")
    return words.removeprefix("serial port: ").strip()


def read_some(port):
    """Return what there is, waiting for one byte; pyserial drops what a failing read had got."""
    return port.read(1) + port.read(port.in_waiting)


def read_bytes(port, size):
    """Read exactly ``size`` bytes; the first come a moment after opening."""
    data = b""
    while len(data) < size:
        data += port.read(size - len(data))
    return data


def read_to_end(port, pause=0.0):
    """Read until the other end is gone."""
    data = bytearray()
    with contextlib.suppress(serial.SerialException, OSError):
        while True:
            data += read_some(port)
            time.sleep(pause)
    return bytes(data)


def expected(seconds, **options):
    return b"".join(one.data for one in Simulation(seconds=seconds, **options).run())


def finish(process, timeout=10.0):
    """Return exit status and what it said on standard error."""
    _, said = process.communicate(timeout=timeout)
    return process.returncode, said.decode()


def test_a_serial_reader_gets_every_byte_from_the_first_to_the_last():
    # Source: the simulation run here; same seed, same bytes.
    with served("--seconds", 20, "--speed", 10, "--seed", 3) as process:
        path = port_of(process)
        time.sleep(0.5)  # a reader that comes late loses nothing
        with serial.Serial(path, 115200, timeout=0.2, exclusive=True) as port:
            data = read_to_end(port)
        status, said = finish(process)
    assert data == expected(20.0, seed=3)
    assert status == 0
    assert said.startswith("simulated 20.0 s, sent ")


def test_a_slow_reader_is_waited_for():
    with served("--seconds", 40, "--speed", 0) as process:
        with serial.Serial(port_of(process), 115200, timeout=0.2) as port:
            data = read_bytes(port, 10)
            time.sleep(1.0)  # the kernel's buffers are long full
            data += read_to_end(port, pause=0.01)
        status, _ = finish(process)
    assert len(data) > 100_000
    assert data == expected(40.0)
    assert status == 0


def test_a_reader_that_empties_its_queue_just_after_opening_loses_nothing():
    # Serial libraries do this on opening; a slow computer may take a while over it.
    with served("--seconds", 3, "--speed", 10) as process:
        with serial.Serial(port_of(process), 115200, timeout=0.2) as port:
            for _ in range(4):
                time.sleep(0.15)
                port.reset_input_buffer()
            data = read_to_end(port)
        finish(process)
    assert data == expected(3.0)


def test_without_a_reader_the_board_goes_on_and_a_new_reader_joins_at_a_frame(tmp_path):
    truth = tmp_path / "truth.jsonl"
    with served("--seconds", 40, "--speed", 10, "--truth", truth) as process:
        path = port_of(process)
        with serial.Serial(path, 115200, timeout=0.2) as port:
            first = read_bytes(port, 4000)
        time.sleep(0.7)
        with serial.Serial(path, 115200, timeout=0.2) as port:
            second = read_to_end(port)
        status, said = finish(process)
    whole = expected(40.0)
    assert status == 0
    assert "without a reader" in said
    assert whole.startswith(first)
    assert whole.endswith(second)
    assert wire.bodies(second)  # whole frames only, each with a right CRC
    # Lost between: the frames the truth calls unsent, and what the first reader left unread.
    lines = [json.loads(line) for line in truth.read_text().splitlines()]
    fast = [line for line in lines if line["kind"] == "samples" and line["stream"] == 1]
    unsent = [line["sequence"] for line in fast if not line["sent"]]
    numbers = [
        one.sequence
        for one in wire.records(second)
        if isinstance(one, wire.Samples) and one.stream == 1
    ]
    assert unsent == list(range(unsent[0], unsent[-1] + 10, 10))
    assert numbers[0] == unsent[-1] + 10
    assert numbers[0] * 0.01 > 6.0


def test_the_truth_holds_every_sample_and_event_and_limit(tmp_path):
    truth = tmp_path / "truth.jsonl"
    with served(
        "--stdout", "--seconds", 40, "--speed", 0, "--scenario", "town-loop", "--truth", truth
    ) as process:
        data, said = process.communicate(timeout=30)
    assert (process.returncode, b"Traceback" in said) == (0, False)
    lines = [json.loads(line) for line in truth.read_text().splitlines()]
    for stream in (1, 2, 3):
        told = [
            tuple(row)
            for line in lines
            if line["kind"] == "samples" and line["stream"] == stream
            for row in line["rows"]
        ]
        assert told == [row for _, _, row in wire.samples(data, stream)]
        plan = next(one for one in lines if one["kind"] == "stream" and one["stream"] == stream)
        assert len(plan["channels"]) == len(told[0])
    simulation = Simulation(scenario=TOWN_LOOP, seconds=40.0)
    assert b"".join(one.data for one in simulation.run()) == data
    limits = [(one["clock"], one["motor"], one["limit"]) for one in lines if one["kind"] == "limit"]
    assert limits == [(one.clock, one.motor, str(one.limit)) for one in simulation.limit_changes]
    assert len(limits) > 5
    assert lines[-1]["kind"] == "ledger"
    assert lines[-1]["battery"] == pytest.approx(simulation.ledger.battery)
    assert lines[-1]["not_sent"] == 0


def test_it_keeps_the_pace_asked_for():
    with served("--stdout", "--seconds", 10, "--speed", 8) as process:
        process.stdout.read(1)
        start = time.monotonic()
        process.stdout.read()
        took = time.monotonic() - start
        finish(process)
    # Never ahead of the clock; behind it only as far as a busy computer makes it.
    assert 10.0 / 8.0 - 0.1 < took < 2.0 * 10.0 / 8.0


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_cleanly_while_serving_and_while_waiting(number):
    with served() as process:
        path = port_of(process)
        with serial.Serial(path, 115200, timeout=2.0) as port:
            assert len(read_bytes(port, 200)) == 200
            process.send_signal(number)
            status, said = finish(process, 3.0)
    assert (status, "Traceback" in said) == (0, False)
    with served() as process:
        port_of(process)
        process.send_signal(number)
        status, said = finish(process, 3.0)
    assert (status, "Traceback" in said) == (0, False)


def test_a_signal_ends_it_while_a_pipe_is_full():
    with served("--stdout", "--speed", 0) as process:
        process.stdout.read(10)
        time.sleep(0.8)  # nobody reads on: the pipe is full
        assert process.poll() is None
        process.send_signal(signal.SIGTERM)
        status, said = finish(process, 3.0)
    assert (status, "Traceback" in said) == (0, False)


def test_a_pipe_that_closes_early_is_no_traceback():
    with served("--stdout", "--speed", 0) as process:
        process.stdout.read(1000)
        process.stdout.close()
        said = process.stderr.read().decode()
        process.wait(10.0)
    assert "Traceback" not in said
    assert process.returncode == 1


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--speed", "-1"], "--speed: a speed below 0"),
        (["--speed", "nan"], "--speed"),
        (["--seconds", "0"], "--seconds: no time"),
        (["--boot", "65536"], "--boot: not a 16-bit number"),
        (["--drift", "1e9"], "--drift"),
        (["--truth", "/nowhere/at/all"], "/nowhere/at/all: cannot write the truth file"),
        (["--trace", "/nowhere"], "/nowhere: cannot read the speed trace"),
    ],
)
def test_a_mistake_is_told_in_one_line(options, words):
    with served("--stdout", *options) as process:
        status, said = finish(process)
    assert status == (2 if words.startswith("--") else 1)
    assert said.startswith(f"sagline-logger: {words}")
    assert said.count("\n") == 1


def test_an_unknown_scenario_is_a_usage_error():
    with served("--scenario", "nowhere") as process:
        status, said = finish(process)
    assert status == 2
    assert "bread-run" in said


def test_bytes_are_not_written_to_a_terminal():
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "sagline_logger.cli", "simulate", "--stdout"]
    try:
        done = subprocess.run(
            command, stdout=theirs, stderr=subprocess.PIPE, timeout=10, check=False
        )
    finally:
        os.close(theirs)
        os.close(ours)
    assert done.returncode == 1
    assert done.stderr.decode().count("\n") == 1
    assert b"standard output" in done.stderr
