"""``sagline-logger simulate``: serve a simulated board."""

import argparse
import difflib
import signal
import sys
from pathlib import Path
from types import FrameType

from ..format import UsageError
from ..format.arguments import setting
from ..format.stop_flag import StopFlag
from .rides import BREAD_RUN, RIDES

STREAM_SETS = ("standard", "course", "wide")
EXAMPLES = (
    "simulate",
    "simulate --speed 0 --stdout > bytes.bin",
    "simulate --scenario launches --setting motor_current_limit=40",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    way = parser.add_mutually_exclusive_group()
    way.add_argument(
        "--pty",
        action="store_true",
        help="open a pseudo-terminal, print its path and begin when it is opened (the default)",
    )
    way.add_argument("--stdout", action="store_true", help="write the bytes to standard output")
    parser.add_argument(
        "--speed",
        type=float,
        default=1.0,
        metavar="FACTOR",
        help="simulated seconds per second; 1 is real time (the default), 0 as fast as possible",
    )
    parser.add_argument(
        "--seconds",
        type=float,
        metavar="N",
        help="end after N simulated seconds, starting the ride over as needed (default: one ride)",
    )
    parser.add_argument("--seed", type=int, default=1, help="same seed, same bytes (default 1)")
    ride = parser.add_mutually_exclusive_group()
    ride.add_argument(
        "--scenario",
        choices=sorted(RIDES),
        default=BREAD_RUN.name,
        metavar="RIDE",
        help=f"{', '.join(sorted(RIDES))} (default {BREAD_RUN.name})",
    )
    ride.add_argument(
        "--trace",
        type=Path,
        metavar="FILE",
        help='follow a speed exactly: lines of "seconds,metres per second"',
    )
    parser.add_argument(
        "--random-board",
        type=int,
        metavar="SEED",
        help="ride another board than Kestrel, drawn by this seed",
    )
    parser.add_argument(
        "--setting",
        type=setting,
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="a controller setting in force, by the names that record --setting and compare know "
        "(motor_current_limit=40); may be given again",
    )
    parser.add_argument(
        "--streams",
        choices=STREAM_SETS,
        default=STREAM_SETS[0],
        help="standard: three streams; course: also an invented course and the reported charge; "
        "wide: every channel (40 on Kestrel) at 100 Hz",
    )
    parser.add_argument("--boot", type=int, default=1, help="first boot number (default 1)")
    parser.add_argument(
        "--clock-start",
        type=int,
        default=0,
        metavar="MICROSECONDS",
        help="device clock at power-on, modulo 2^32 (default 0)",
    )
    parser.add_argument(
        "--drift",
        type=float,
        default=0.0,
        metavar="PPM",
        help="how many millionths the device clock runs fast (default 0)",
    )
    parser.add_argument(
        "--truth",
        type=Path,
        metavar="FILE",
        help="write everything sent, and which limit decided, as JSON Lines",
    )


def run(args: argparse.Namespace) -> int:
    """Serve until the ride ends or the user stops it; return the exit status."""
    # Imported here, so that "--help" need not wait for the whole machine.
    from .clock import DeviceClock
    from .kestrel import KESTREL
    from .ports import Port, PseudoTerminal, StandardOutput
    from .random_board import random_board
    from .scenario import Scenario, read_trace
    from .sensors import course_stream, standard_streams, wide_streams
    from .serve import serve
    from .settings import STANDARD, apply_settings
    from .simulation import Simulation
    from .truth import TruthFile

    _check(args)
    scenario = RIDES[args.scenario]
    if args.trace is not None:
        scenario = Scenario("trace", trace=read_trace(args.trace))
    board = KESTREL if args.random_board is None else random_board(args.random_board)
    board, idle = apply_settings(board, args.setting)
    for name in idle:
        near = difflib.get_close_matches(name, STANDARD, 1)
        print(
            f"sagline-logger: the setting {name} changes nothing in a simulation"
            + (f"; did you mean {near[0]}?" if near else ""),
            file=sys.stderr,
        )
    streams = wide_streams(board) if args.streams == "wide" else standard_streams(board)
    if args.streams == "course":
        streams = (*streams, course_stream())
    simulation = Simulation(
        board=board,
        scenario=scenario,
        streams=streams,
        clock=DeviceClock(args.clock_start % (1 << 32), args.boot, args.drift),
        seed=args.seed,
        seconds=args.seconds,
    )
    stop = StopFlag()

    def on_signal(number: int, frame: FrameType | None) -> None:
        stop.set()

    before = {one: signal.signal(one, on_signal) for one in (signal.SIGINT, signal.SIGTERM)}
    truth = TruthFile(args.truth, simulation)
    try:
        port: Port
        if args.stdout:
            port = StandardOutput()
        else:
            terminal = PseudoTerminal()
            print(f"serial port: {terminal.path}", flush=True)
            port = terminal
        try:
            serve(simulation, port, truth, args.speed, stop)
        finally:
            port.close(stop)
    finally:
        truth.close()
        for one, handler in before.items():
            signal.signal(one, handler)
    print(
        f"simulated {simulation.time / 1e6:.1f} s, sent {truth.sent} frames"
        + (f", {truth.lost} without a reader" if truth.lost else ""),
        file=sys.stderr,
    )
    return 0


def _check(args: argparse.Namespace) -> None:
    """Refuse numbers that mean nothing."""
    rules = (
        (args.speed >= 0.0, "--speed", "a speed below 0", "give 0 or more"),
        (args.seconds is None or args.seconds > 0.0, "--seconds", "no time", "give more than 0"),
        (0 <= args.boot < 1 << 16, "--boot", "not a 16-bit number", "give 0 to 65535"),
        (abs(args.drift) < 100_000.0, "--drift", "no clock drifts so", "give less than 100000"),
    )
    for holds, where, what, remedy in rules:
        if not holds:  # also for "nan", which compares false
            raise UsageError(what, where=where, remedy=remedy)
