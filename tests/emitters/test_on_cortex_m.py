"""The serial example on an emulated 32-bit chip, recorded over its emulated serial port."""

import re
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from emitters.test_examples import check_slow, taken
from sagline_logger.format import read_log
from sagline_logger.verify.survey import Survey, survey
from support.capture import Contents, command, recording, the_log, wait_until
from support.emitters import CORTEX_M, EXAMPLES, HERE, build

CHIPS = ("cortex-m0plus", "cortex-m3", "cortex-m4", "cortex-m7", "cortex-m33")
SETTLED = (
    2.0  # s; the emulator looks once a second whether its port was opened, and drops till then
)


@pytest.mark.parametrize("chip", CHIPS)
@pytest.mark.parametrize("name", ["serial", "ble", "card"])
def test_every_example_compiles_without_a_warning(name: str, chip: str, tmp_path: Path) -> None:
    compiler = ["arm-none-eabi-gcc", "-std=c99", f"-mcpu={chip}", *CORTEX_M, "-c"]
    build(tmp_path / "out.o", compiler, EXAMPLES / f"{name}.c")


@contextmanager
def emulated(elf: Path) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """Give the path of the chip's serial port, and the emulator, which waits for ``cont``.

    The chip's time is that of its instructions, so that a busy machine makes it late for nobody.
    """
    emulator = subprocess.Popen(
        [
            "qemu-system-arm",
            "-M",
            "mps2-an385",
            "-icount",
            "shift=6,align=on",
            "-S",
            "-display",
            "none",
            "-monitor",
            "stdio",
            "-serial",
            "pty",
            "-kernel",
            str(elf),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        assert emulator.stdout is not None
        lines = []
        while not (found := re.search(r"redirected to (/dev/pts/\d+)", "".join(lines[-1:]))):
            lines.append(emulator.stdout.readline())
            assert lines[-1], lines
        yield found[1], emulator
    finally:
        emulator.kill()
        emulator.communicate()


def test_from_the_emulated_chip_over_its_serial_port_to_a_clean_log(tmp_path: Path) -> None:
    sources = [EXAMPLES / "serial.c", HERE / "cortex_m" / "board.c"]
    link = ("-nostartfiles", f"-T{HERE / 'cortex_m' / 'board.ld'}")
    compiler = ["arm-none-eabi-gcc", "-std=c99", "-mcpu=cortex-m3", *CORTEX_M]
    elf = build(tmp_path / "board.elf", compiler, *sources, flags=link)
    rides = tmp_path / "rides"

    def seen() -> Survey:
        with the_log(rides).open("rb") as file:
            return survey(read_log(file))

    with (
        emulated(elf) as (port, emulator),
        recording("--serial", port, "--out", rides, "--seconds", 120) as logger,
    ):
        assert emulator.stdin is not None
        with pytest.raises(subprocess.TimeoutExpired):
            emulator.wait(SETTLED)
        emulator.stdin.write("cont\n")
        emulator.stdin.flush()
        wait_until(lambda: sum(stream.samples for stream in seen().streams.values()) == 315)
        status, _, _ = logger.stop(signal.SIGINT)
    assert status == 0
    status, report, errors = command("verify", "--strict", the_log(rides))
    assert (status, errors) == (0, [])
    assert "stream 0 (fast): 300 samples in 30 frames, 0 lost" in report
    assert "stream 1 (slow): 15 samples in 15 frames, 0 lost" in report
    assert "foreign" not in report
    assert report.endswith("Nothing lost.\n")
    rows = taken(Contents(the_log(rides).read_bytes()).records)
    assert rows["fast"] == [(n,) for n in range(300)]
    assert len(rows["slow"]) == 15
    check_slow(rows["slow"])
