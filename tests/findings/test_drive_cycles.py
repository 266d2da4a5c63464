"""Distances of published drive cycles, through the simulated board, its frames, a log, a summary.

Sources: the traces are the EPA's as shipped by the PyPI package ``fastsim``
(``Cycle.from_resource``); the distances are those the EPA states for its dynamometer drive
schedules: UDDS 7.45 miles, HWFET 10.26 miles.  A mile is 1609.344 m.
"""

import subprocess
import sys
from pathlib import Path

import pytest

from sagline_analyser.findings.readings.summary import summarise
from sagline_analyser.load import load_ride
from sagline_logger.simulator import Scenario, read_trace
from support.doc_rides import ride_log
from support.late import late

fastsim = late("fastsim")

MILE = 1609.344
CYCLES = {"udds.csv": 7.45, "hwfet.csv": 10.26}


@pytest.mark.parametrize("cycle", CYCLES)
def test_distances_of_published_drive_cycles(cycle: str, tmp_path: Path) -> None:
    points = fastsim.Cycle.from_resource(cycle).to_dict()
    trace, log = tmp_path / cycle, tmp_path / f"{cycle}.sagline"
    pairs = zip(points["time_seconds"], points["speed_meters_per_second"], strict=True)
    trace.write_text("".join(f"{time},{speed}\n" for time, speed in pairs))
    if cycle == "hwfet.csv":  # the shorter one as people do it
        words = ["simulate", "--stdout", "--speed", "0", "--trace", str(trace)]
        with log.open("wb") as file:
            board = [sys.executable, "-m", "sagline_logger.cli", *words]
            assert subprocess.run(board, stdout=file, timeout=600).returncode == 0
    else:
        log.write_bytes(ride_log(Scenario("trace", trace=read_trace(trace))))
    distance = summarise(load_ride(log))["distance"].value
    assert distance == pytest.approx(CYCLES[cycle] * MILE, rel=0.005), cycle
