"""Settings by their standard names in force in a simulated board."""

import math
from pathlib import Path

import pytest

from sagline_logger.format import SaglineError
from sagline_logger.format.board_tables import SETTINGS
from sagline_logger.simulator import KESTREL, LAUNCHES, Simulation, apply_settings
from support.capture import command


def most(settings: dict[str, str], seconds: float = 11.0) -> dict[str, float]:
    """Return the most of what a launch and a stop show, of any drive: A, and the duty cycle."""
    board, _ = apply_settings(KESTREL, settings.items())
    simulation = Simulation(board=board, scenario=LAUNCHES, seconds=seconds)
    found: dict[str, float] = {}
    for _ in simulation.run():
        for drive in simulation.machine.drives:
            for name, value in (
                ("motor", drive.current),
                ("brake", -drive.current),
                ("duty", drive.duty),
                ("battery", drive.battery_current),
                ("regen", -drive.battery_current),
            ):
                found[name] = max(found.get(name, -math.inf), value)
    return found


@pytest.fixture(scope="module")
def usual() -> dict[str, float]:
    return most({})


@pytest.mark.parametrize(
    ("name", "value", "what"),
    [
        ("motor_current_limit", 30.0, "motor"),
        ("brake_current_limit", 12.0, "brake"),
        ("battery_current_limit", 9.0, "battery"),
        ("regen_current_limit", 3.0, "regen"),
        ("duty_limit", 0.6, "duty"),
    ],
)
def test_a_limit_holds_and_comes_to_bear(
    name: str, value: float, what: str, usual: dict[str, float]
) -> None:
    found = most({name: str(value)})
    assert usual[what] > 1.2 * value
    assert 0.98 * value <= found[what] <= 1.01 * value


def test_the_cutback_is_of_the_pack_s_voltage(usual: dict[str, float]) -> None:
    found = most({"voltage_cutback_start": "54", "voltage_cutback_end": "44"})
    assert 0.1 * usual["battery"] < found["battery"] < 0.8 * usual["battery"]


def test_a_setting_of_any_other_name_changes_nothing_and_is_returned() -> None:
    told = [("mode", "eco"), ("motor_current_limit", "45"), ("pack", "2")]
    board, idle = apply_settings(KESTREL, told)
    assert (board, idle) == (KESTREL, ("mode", "pack"))  # 45 A is Kestrel's own


@pytest.mark.parametrize("name", list(SETTINGS))
@pytest.mark.parametrize("value", ["", "x", "nan", "inf", "-1", "45 A", "1e9"])
def test_what_a_setting_cannot_be_is_refused(name: str, value: str) -> None:
    with pytest.raises(SaglineError, match=f"--setting {name}: .*give a number"):
        apply_settings(KESTREL, [(name, value)])


def test_a_cutback_upside_down_is_refused() -> None:
    with pytest.raises(SaglineError, match="give both"):
        apply_settings(KESTREL, [("voltage_cutback_end", "50")])


def test_the_command(tmp_path: Path) -> None:
    run = ("simulate", "--stdout", "--speed", 0, "--seconds", 3, "--scenario", "launches")
    away = ("bash", "-c", f'exec "$0" "$@" > {tmp_path}/out')
    given = ("--setting", "mode=eco", "--setting", "duty_limt=0.9")
    status, _, errors = command(*run, *given, under=away)
    assert status == 0
    assert errors[0] == "sagline-logger: the setting mode changes nothing in a simulation"
    assert errors[1].endswith("did you mean duty_limit?")
    status, _, errors = command(*run, "--setting", "motor_current_limit=lots")
    assert status == 2
    (line,) = errors
    assert "'lots' is no motor current limit of one controller; give a number in A" in line
    status, _, errors = command(*run, "--setting", "motor_current_limit")
    assert status == 2 and "NAME=VALUE" in errors[-1]
