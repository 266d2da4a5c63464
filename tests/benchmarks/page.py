"""The report against a plain plotly page of the same samples.

One simulated hour, 100 Hz, 40 channels.  Run: ``python tests/benchmarks/page.py``, with
``--hours 10`` also for time and memory of a ride that long.  Prints ratios, which hold on any
machine; the numbers beside them are this machine's.  Aims: size at most 1/23, processor time
to build at most 1/2, time to the first drawn plot in Chromium at most 1/8; ten hours within 2 GiB
and no worse than linear.  Building is what ``sagline-analyser plot`` does to a loaded ride, the
answers to the builder's questions included.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does for itself

import plotly.graph_objects as go

sys.path.insert(0, str(Path(__file__).parents[1]))

from sagline_analyser import Ride, load_ride, write_page
from sagline_analyser.findings.answers import answers
from sagline_logger.format import (
    Board,
    Samples,
    Stream,
    encode_frame,
    load_board_file,
    open_log,
    read_log,
)
from support.browser import chromium
from support.timing import best_of_both

BOARD = Path(__file__).parents[2] / "analyser" / "sagline_analyser" / "demo_board.toml"
ROUNDS = 5

FIRST_PLOT = """
(() => {
  const look = () => {
    const axis = document.querySelector(".js-plotly-plot .xtick, .plot .tick");
    if (axis) window.firstPlot = performance.now();
    else requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
})();
"""
"""Notes when the first plot has its axis drawn, which comes together with the traces: plotly's, or
that of our own drawing.

There is no graphics hardware to count on, and drawing the plain page's WebGL traces in software
takes minutes; WebGL is therefore off, which spares the plain page that time and ours nothing.
"""


def simulate(path: Path, seconds: int) -> None:
    words = f"simulate --stdout --speed 0 --streams wide --seconds {seconds}".split()
    with path.open("wb") as file:
        subprocess.run(
            [sys.executable, "-m", "sagline_logger.cli", *words], stdout=file, check=True
        )


def write_plain(ride: Ride, path: Path) -> None:
    """Write all samples as plotly does by itself, with its traces for many points."""
    figure = go.Figure(
        [
            go.Scattergl(x=stream.time, y=values, name=key)
            for stream in ride.streams.values()
            for key, values in stream.values.items()
        ]
    )
    figure.write_html(path, include_plotlyjs=True)


def first_plot(page: Path) -> float:
    """Return s from navigation to the first drawn plot, the best of some rounds."""
    times = []
    for _ in range(ROUNDS):
        with chromium(1400, 1000, False, "--disable-software-rasterizer") as browser:
            browser.set_page_load_timeout(600)
            browser.set_script_timeout(600)
            browser.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": FIRST_PLOT})
            browser.get(page.as_uri())
            times.append(
                browser.execute_async_script(
                    "const done = arguments[0];"
                    "const look = () => window.firstPlot ? done(firstPlot) : setTimeout(look, 10);"
                    "look();"
                )
                / 1000
            )
    return min(times)


def lengthen(source: Path, target: Path, times: int) -> None:
    """Write a log that holds the samples of ``source`` several times, as one start of the board."""
    with open_log(source) as file:
        records = [entry.record for entry in read_log(file) if entry.record is not None]
    first = next(record for record in records if isinstance(record, Board))
    streams = [r for r in records if isinstance(r, Stream) and r.boot == first.boot]
    described = {stream.stream: stream for stream in streams}
    sent = dict.fromkeys(described, 0)
    with target.open("wb") as file:
        file.write(encode_frame(first.encode()))
        for stream in described.values():
            file.write(encode_frame(stream.encode()))
        for record in (r for _ in range(times) for r in records if isinstance(r, Samples)):
            sequence = sent[record.stream]
            clock = sequence * described[record.stream].period % 2**32
            sent[record.stream] += record.count
            again = replace(record, boot=first.boot, sequence=sequence % 2**32, clock=clock)
            file.write(encode_frame(again.encode()))


MEASURE = """
import resource, subprocess, sys
subprocess.run(sys.argv[1:], check=True, stdout=subprocess.DEVNULL)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(used.ru_utime + used.ru_stime, used.ru_maxrss / 2**20)
"""
"""A small process between us and the command: Linux counts the memory of the process that started a
program as the program's own, and ours is large."""


def plot(log: Path, out: Path) -> tuple[float, float, float]:
    """Return (s, s of processor time, GiB at most) of the real command."""
    command = [sys.executable, "-m", "sagline_analyser.cli", "plot", str(log), "-o", str(out)]
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", MEASURE, *command, "--board", str(BOARD)],
        check=True,
        capture_output=True,
        text=True,
    )
    busy, most = map(float, done.stdout.split())
    return time.perf_counter() - start, busy, most


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=int, default=1)
    hours = parser.parse_args().hours
    with tempfile.TemporaryDirectory() as place:
        log, ours, plain = (Path(place) / name for name in ("a.sagline", "ours.html", "plain.html"))
        simulate(log, 3600)
        ride = load_ride(log)
        board, _ = load_board_file(BOARD)
        samples = sum(len(s.time) * len(s.channels) for s in ride.streams.values())
        print(f"{samples} samples")
        # Each round takes the ride for a new one: nothing is left from the round before.
        jobs = (
            lambda: write_page(replace(ride), ours, board),
            lambda: write_plain(replace(ride), plain),
            lambda: answers(replace(ride), board),
        )
        walls, busy = best_of_both(ROUNDS, *jobs)
        (building, plain_building, _), (ours_busy, plain_busy, worked_out) = walls, busy
        one, other = ours.stat().st_size / 1e6, plain.stat().st_size / 1e6
        print(f"size         1/{other / one:.1f}  ({one:.1f} MB against {other:.1f} MB; aim 1/23)")
        print(
            f"build        1/{plain_busy / ours_busy:.2f}  ({ours_busy:.2f} s of processor time "
            f"against {plain_busy:.2f} s; aim 1/2; of ours the answers take {worked_out:.2f} s; "
            f"by the clock 1/{plain_building / building:.2f}, {building:.2f} s against "
            f"{plain_building:.2f} s)"
        )
        one, other = first_plot(ours), first_plot(plain)
        print(f"first plot   1/{other / one:.1f}  ({one:.2f} s against {other:.2f} s; aim 1/8)")
        if hours > 1:
            long = Path(place) / "long.sagline"
            lengthen(log, long, hours)
            short, much = plot(log, ours), plot(long, ours)
            size = sum(r.nbytes for s in ride.streams.values() for r in s.raw.values())
            raw = hours * size / 2**30
            print(
                f"{hours} h : 1 h     time {much[0] / short[0]:.1f}, processor time "
                f"{much[1] / short[1]:.1f} ({much[1]:.0f} s against {short[1]:.0f} s; linear is "
                f"{hours}), memory {much[2] / short[2]:.1f}"
            )
            print(
                f"peak memory  {much[2]:.2f} GiB at {hours} h (aim 2), {much[2] / raw:.1f} times "
                f"the raw samples' {raw:.2f} GiB"
            )


if __name__ == "__main__":
    main()
