"""What answers say, read as a rider reads it: articles, names, units, one doubt told once."""

import re
from functools import cache

import numpy as np
import pytest

from sagline_analyser.findings.answers import answers
from sagline_analyser.findings.basis import Basis, open_basis
from sagline_analyser.load import Ride
from sagline_logger.format import read_board_file
from support.faults import BOARD, Script, fault
from support.rides import channel, make_ride, make_stream
from trust.fault_rides import fault_ride
from trust.sensor_rides import broken, own_ride

BAD = {
    "an article twice": r"\b(the|a|an) (the|a|an|each)\b",
    "a part named twice": r"\b(motor|controller) (motor|controller) \d",
    "two stops": r"[?!.]\.(?!\.)|\?;",
    "a minus that is a hyphen": r"(?<![\w.])-\d",
    "an exponent": r"\d[eE][+-]\d",
    "a column's key": r"\b[a-z]+_(speed|current|temperature|voltage)_\d",
    "no time at all": r"in no time at all",
    "a span of one value": r"([\d.]+ \S+) to \1 ",
}


def said(basis: Basis) -> list[str]:
    lines = list(basis.notices())
    for one in answers(basis):
        lines += [one.headline, one.verdict, *one.details]
    return lines


@cache
def sound(seed: int) -> Ride:
    """Return the ride of ``seed``, in which one thing after another is broken: in a copy."""
    return own_ride(seed, 120.0)


RIDES = [
    *(
        ("broken", name, 7)
        for name in (
            "thermistor open",
            "air at -60 or -40 °C",
            "speed freezes",
            "speed at zero all along",
            "throttle stuck",
            "battery current freezes",
            "speed of 198 km/h for a moment",
            "duty",
            "motor speed drops to zero",
        )
    ),
    ("fault", "contact resistance rises", 2),
    ("fault", "motor over-temperature", 4),
    ("fault", "motor speed drops to zero, controller stops", 5),
]


@pytest.mark.parametrize(("what", "name", "seed"), RIDES)
def test_answers_read_as_a_rider_reads_them(what: str, name: str, seed: int) -> None:
    if what == "fault":
        made = next(x for n in range(seed, seed + 20) if (x := fault_ride(name, n)) is not None)
        basis = open_basis(made.ride, made.board)
    else:
        ride = sound(seed)
        found = broken(ride, name, seed) if name != "duty" else None
        basis = open_basis(found.ride if found is not None else ride)
    for line in said(basis):
        for wrong, pattern in BAD.items():
            # The parts' keys in brackets name the columns that a figure is from.
            bare = re.sub(r"\([^)]*_[^)]*\)|needs the channels? [\w, …]+", "", line)
            assert not re.search(pattern, bare), f"{wrong}: {line}"


def test_one_sensor_is_doubted_once_for_one_thing() -> None:
    ride = sound(7)
    found = broken(ride, "thermistor open", 7)
    assert found is not None
    told = [(doubt.key, doubt.doubt) for doubt in open_basis(found.ride).sensors]
    assert len(told) == len(set(told)) == 1


def test_a_power_stage_that_is_off_is_no_frozen_duty_cycle() -> None:
    """The drive is cut after a minute; the machine coasts on, its duty cycle at zero."""
    made = fault_ride("controller stops by itself", 3)
    assert made is not None
    basis = open_basis(made.ride, made.board)
    assert [doubt.key for doubt in basis.sensors] == []


def test_both_ends_of_a_cut_back_are_told_in_one_sentence() -> None:
    script = Script(3.2)
    script.cut()
    said_of = {a.key: a for a in answers(open_basis(script.ride(events=fault("cut")), BOARD))}
    lines = [x for x in said_of["held_back"].details if "voltage cutback" in x]
    assert len(lines) == 1 and "from 19.5 V down to 18 V" in lines[0]
    assert said_of["held_back"].verdict.count("voltage cutback") <= 1


def test_without_a_speed_nothing_is_said_of_kilometres_an_hour() -> None:
    time = np.arange(0, 120, 0.1)
    amps = 15 + 10 * np.sin(time / 5)
    columns = {
        channel("battery_current", "A"): amps,
        channel("pack_voltage", "V"): 40 - 0.05 * amps,
        channel("motor_current", "A", 1): 1.5 * amps,
        channel("motor_temperature", "°C", 1): 30 + 40 * (1 - np.exp(-time / 60)),
    }
    board = read_board_file(
        'name = "b"\n[[motors]]\ntemperature_limit = 90\nrated_current = 30\n', "b"
    )
    lines = said(open_basis(make_ride(make_stream("fast", time, columns, period=0.1)), board))
    assert not [line for line in lines if "km/h" in line]
