"""The directory in which the documentation's commands are run; docs/README.md lists its files."""

import shutil
from dataclasses import replace
from functools import partial
from pathlib import Path

from sagline_logger import simulator
from sagline_logger.format import Mark, Record, Setting
from sagline_logger.format.host_records import FilePart
from sagline_logger.simulator import (
    BREAD_RUN,
    KESTREL,
    BoardParameters,
    Scenario,
    Simulation,
    standard_streams,
)
from sagline_logger.simulator.sensors import course_stream
from support.kept import kept
from support.launch_rides import changed
from support.logs import at, log_bytes
from support.logs import time as time_record

BOARD = Path(__file__).parents[2] / "analyser" / "sagline_analyser" / "demo_board.toml"
RIDE = "20260418T061500Z_my_board.sagline"
STEP, FAST = 10_000, 20_000  # µs

SECONDS, CHARGE = 75.0, 0.14
"""Of the ride: the pack is low enough for the board to report a fault and cut out."""

LAUNCHES = replace(simulator.LAUNCHES, legs=simulator.LAUNCHES.legs[:10])
"""Three of them."""

SIDES = ((1, "A"), (12, "B"))
"""Marks of the one log that is split by them: s, text; a launch on A, two on B."""

CSV = """time;battery current;pack voltage
0,0;1,5;48,1
0,1;1,7;48,0
0,2;2,4;47,9
0,3;3,0;47,7
"""


def ride_log(
    scenario: Scenario,
    board: BoardParameters = KESTREL,
    seconds: float | None = None,
    settings: tuple[Setting, ...] = (),
    marks: tuple[Mark, ...] = (),
    seed: int = 1,
    course: bool = False,
) -> bytes:
    """Return the log of a simulated ride with Kestrel's board file in it, and its ``course``."""
    text = BOARD.read_bytes()
    records: list[Record | bytes] = [*settings, FilePart(at(0), "board", len(text), 0, text)]
    streams = standard_streams(board, fast_period=FAST)
    if course:
        streams = (*streams, course_stream())
    waiting, told = list(marks), -1
    simulation = Simulation(board, scenario, streams, seed=seed, seconds=seconds, step=STEP)
    for sent in simulation.run():
        if sent.time // 500_000 != told:
            told = sent.time // 500_000
            records.append(time_record(sent.time))
        while waiting and waiting[0].at.monotonic <= sent.time:
            records.append(waiting.pop(0))
        records.append(sent.data)
    return log_bytes(records)


def trial_log(side: str, seed: int) -> bytes:
    """Return three launches on one side of a trial: B has the higher motor-current limit."""
    value, factor = ("45", 1.0) if side == "a" else ("54", 1.2)
    setting = Setting(at(0), "motor_current_limit", value)
    board = changed(KESTREL, "motor_current", factor)
    marks = tuple(Mark(at(s * 1_000_000), n, t) for n, (s, t) in enumerate(SIDES, 1))
    return ride_log(LAUNCHES, board, None, (setting,), marks, seed)


def write_map(directory: Path) -> None:
    """Write a map for ``ride.csv`` beside it."""
    (directory / "map.toml").write_text(
        '[file]\ndelimiter = ";"\ndecimal = ","\nheader = 1\nfirst_row = 2\n'
        '[time]\ncolumn = "time"\nunit = "s"\n'
        '[[columns]]\ncolumn = "pack voltage"\nchannel = "pack_voltage"\nresolution = 0.1\n'
    )


def make_directory(directory: Path) -> None:
    """Write the files that the pages may name."""
    (directory / "rides").mkdir()
    (directory / "trial").mkdir()
    marks = tuple(Mark(at(second * 1_000_000), n, "") for n, second in enumerate((1, 30), 1))
    low = replace(BREAD_RUN, charge=CHARGE)
    ride = kept("ride of the pages", lambda: ride_log(low, seconds=SECONDS, marks=marks))
    (directory / "rides" / RIDE).write_bytes(ride)
    (directory / "kestrel.sagline").write_bytes(ride)
    (directory / "logs").symlink_to("rides")
    for seed, name in enumerate(("a1", "b1", "b2", "a2"), 1):
        trial = kept(f"trial {name}", partial(trial_log, name[0], seed))
        (directory / "trial" / f"{name}.sagline").write_bytes(trial)
    shutil.copy(directory / "trial" / "a1.sagline", directory / "trial" / "marked.sagline")
    shutil.copy(BOARD, directory / "my_board.toml")
    (directory / "ride.csv").write_text(CSV)
