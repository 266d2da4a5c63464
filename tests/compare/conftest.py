"""Simulated rides of one board with two values of one limit, ridden in the order A, B, B, A."""

from pathlib import Path

import pytest

from sagline_logger.format import Mark, Setting
from support import logs, simulated_rides
from support.kept import kept
from support.launch_rides import changed, launch_board, launch_ride

FACTOR = 1.15
MARKS = ((1_000, "A soft tyres"), (14_000_000, "hard tyres B"))
"""µs and text of the marks in the ".marked" copy of each log."""


@pytest.fixture(scope="session")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Four logs of three launches, "A1", "B1", "B2", "A2": motor_current_limit 15 % up on B."""
    place = tmp_path_factory.mktemp("compare")
    for name, data in kept("launches of compare", _ride).items():
        (place / name).write_bytes(data)
    return {name: place / f"{name}.sagline" for name in ("A1", "B1", "B2", "A2")}


def _ride() -> dict[str, bytes]:
    """Return the bytes of the logs, and of their marked copies, by file name."""
    board = launch_board(3)
    machines = {"A": board, "B": changed(board, "motor_current", FACTOR)}
    found: dict[str, bytes] = {}
    write = logs.log_bytes
    with pytest.MonkeyPatch.context() as patch:
        for name in ("A1", "B1", "B2", "A2"):
            machine = machines[name[0]]
            limits = machine.drives[0].controller.limits

            def keep(records: list, name: str = name, limits=limits) -> bytes:
                stated = [
                    Setting(logs.at(0), "motor_current_limit", f"{limits.motor_current:.4g}"),
                    Setting(logs.at(0), "battery_current_limit", f"{limits.battery_current:.4g}"),
                ]
                found[f"{name}.sagline"] = data = write([*stated, *records])
                marks = [
                    Mark(logs.at(moment), number, text)
                    for number, (moment, text) in enumerate(MARKS, 1)
                ]
                found[f"{name}.marked"] = write([*stated, *marks, *records])
                return data

            patch.setattr(simulated_rides, "log_bytes", keep)
            launch_ride(machine, name, slope_seed=3, charge=0.7, launches=3)
    return found
