"""What capture costs: ``python tests/benchmarks/capture.py [SECONDS]`` (default 10, full run 60).

Prints start-up against a bare interpreter, the share of one core and the memory at 300 kB/s, and
the highest rate over a pseudo-terminal with nothing lost.
"""

import json
import os
import re
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import cycle
from pathlib import Path
from statistics import median

import psutil

from sagline_logger.format import SAMPLES_HEADER, FrameSplitter, Samples, encode_frame
from sagline_logger.format.limits import MAX_STREAMS

LOGGER = (sys.executable, "-m", "sagline_logger.cli")
STEADY = 300_000
"""Bytes a second of the steady run."""


def main() -> None:
    """Run all and print the figures."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    start_up()
    wide = Frames("wide")
    steady(Frames("standard"), seconds)
    steady(wide, seconds)
    flat_out(wide, seconds)


def start_up() -> None:
    """``--help`` against importing what any serial logger needs, turn by turn."""
    bare = (sys.executable, "-c", "import serial, asyncio, argparse")
    times: dict[tuple[str, ...], list[float]] = {(*LOGGER, "--help"): [], bare: []}
    for _ in range(15):
        for command, taken in times.items():
            began = time.perf_counter()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            taken.append(time.perf_counter() - began)
    ours, theirs = (median(taken) for taken in times.values())
    print(f"start-up of --help: {ours / theirs:.2f} × what any serial logger imports (aim 1.3)")


class Frames:
    """Endless frames of the simulated board's ``standard`` or ``wide`` streams, numbered anew."""

    def __init__(self, streams: str) -> None:
        command = (*LOGGER, "simulate", "--stdout", "--speed", "0", "--seconds", "60")
        sent = subprocess.run((*command, "--streams", streams), capture_output=True, check=True)
        bodies = [piece.body for piece in FrameSplitter().feed(sent.stdout) if piece.body]
        self.opening = b"".join(
            encode_frame(body) for body in bodies[:20] if body[0] != Samples.KIND
        )
        self._bodies = [body for body in bodies if body[0] == Samples.KIND]

    def take(self, size: int) -> list[bytes]:
        """Return frames of about ``size`` bytes together, the description first."""
        frames, total = [self.opening], len(self.opening)
        due = [0] * MAX_STREAMS
        for body in cycle(self._bodies):
            kind, stream, boot, _, clock, revision, count = SAMPLES_HEADER.unpack_from(body)
            head = SAMPLES_HEADER.pack(kind, stream, boot, due[stream], clock, revision, count)
            frames.append(encode_frame(head + body[SAMPLES_HEADER.size :]))
            due[stream] += count
            total += len(frames[-1])
            if total >= size:
                return frames
        raise AssertionError("the simulated board sent no samples")


@contextmanager
def recorder(
    directory: Path, *options: str
) -> Iterator[tuple[int, psutil.Process, Callable[[], None]]]:
    """Run the real logger on a pseudo-terminal; give (our end, its process, a way to stop it)."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    process = subprocess.Popen(
        [
            *LOGGER,
            "record",
            "--serial",
            os.ttyname(theirs),
            "--out",
            directory,
            "--quiet",
            *options,
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    while "recording" not in process.stderr.readline():
        assert process.poll() is None

    def stop() -> None:
        process.terminate()
        process.wait()

    try:
        yield ours, psutil.Process(process.pid), stop
    finally:
        process.kill()
        process.wait()
        os.close(ours)
        os.close(theirs)


def send(port: int, data: bytes) -> None:
    """Write all of ``data``."""
    view = memoryview(data)
    while view:
        view = view[os.write(port, view) :]


def checked(directory: Path, frames: int) -> str:
    """Return what ``verify`` says of the one log in ``directory``."""
    (log,) = directory.glob("*.sagline")
    out = subprocess.run((*LOGGER, "verify", "--json", log), capture_output=True, check=True).stdout
    report = json.loads(out)
    kept = sum(report["kinds"].get(kind, 0) for kind in ("Board", "Stream", "Samples", "Event"))
    return f"{frames - kept} frames and {report['lost_samples']} samples lost"


def count(frames: list[bytes]) -> int:
    """Return how many frames these are (the first item holds several)."""
    return sum(frame.count(b"\0") for frame in frames)


def steady(source: Frames, seconds: float) -> None:
    """Share of a core and memory at a steady rate."""
    frames = source.take(round(STEADY * seconds))
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        with recorder(directory) as (port, process, stop):
            sent, took, share, memory = fed(frames, port, process)
            peak = _peak(process.pid)
            time.sleep(1)
            stop()
        print(
            f"steady {sent / took / 1e3:.0f} kB/s for {took:.0f} s "
            f"({sent / count(frames):.0f} bytes a frame): {100 * share:.1f} % of one core "
            f"(aim 10 %), {checked(directory, count(frames))}"
        )
        middle = memory[len(memory) // 3]
        print(
            f"memory: peak {peak:.1f} MB (aim 40 MB), "
            f"{memory[-1] - middle:+.1f} MB from a third of the run to its end"
        )


def fed(
    frames: list[bytes], port: int, process: psutil.Process
) -> tuple[int, float, float, list[float]]:
    """Send frames at the steady rate; return (bytes, s, share of a core, MB at each second)."""
    memory: list[float] = []
    spent = sum(process.cpu_times()[:2])
    began, sent = time.perf_counter(), 0
    for frame in frames:
        send(port, frame)
        sent += len(frame)
        ahead = sent / STEADY - (time.perf_counter() - began)
        if ahead > 0:
            time.sleep(ahead)
        if len(memory) < sent / STEADY:
            memory.append(process.memory_info().rss / 1e6)
    took = time.perf_counter() - began
    return sent, took, (sum(process.cpu_times()[:2]) - spent) / took, memory


def flat_out(source: Frames, seconds: float) -> None:
    """The highest rate that a pseudo-terminal's flow control allows with this reader."""
    frames = source.take(4_000_000)
    with tempfile.TemporaryDirectory() as name, recorder(Path(name)) as (port, _, stop):
        began = time.perf_counter()
        send(port, b"".join(frames))
        rate = sum(map(len, frames)) / (time.perf_counter() - began)
        stop()
    frames = source.take(round(rate * seconds))
    data = b"".join(frames)
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        with recorder(directory) as (port, process, stop):
            spent = sum(process.cpu_times()[:2])
            began = time.perf_counter()
            send(port, data)
            took = time.perf_counter() - began
            share = (sum(process.cpu_times()[:2]) - spent) / took
            peak = _peak(process.pid)
            time.sleep(1)
            stop()
        print(
            f"flat out {len(data) / took / 1e6:.2f} MB/s for {took:.0f} s (aim 3 MB/s): "
            f"{100 * share:.0f} % of one core, peak {peak:.1f} MB, "
            f"{checked(directory, count(frames))}"
        )


def _peak(pid: int) -> float:
    """Return the peak resident memory of a process in MB, from the kernel's own count."""
    status = Path(f"/proc/{pid}/status").read_text()
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    assert found is not None
    return int(found[1]) * 1024 / 1e6


if __name__ == "__main__":
    main()
