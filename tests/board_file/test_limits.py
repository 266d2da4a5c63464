"""Derived limits against examples worked by hand.

Series and parallel: Kirchhoff's laws.  Rate in C: the reference test current of IEC 61434, the
rated capacity in one hour.  Where no source stands beside an example it is common practice.
"""

import math
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sagline_logger.format import (
    LIMIT_KINDS,
    BoardFile,
    Limit,
    SaglineError,
    derive_limits,
    read_board_file,
    settings_over_limits,
    speed_per_rpm,
    vocabulary,
    weakest,
    wheel_speed,
)

UNITS = """
[[battery.units]]
name = "left"
series = {0}
parallel = 2
cell_capacity = 4.2
max_discharge_rate = 10
max_charge_rate = 0.5
[[battery.units]]
name = "right"
series = {1}
parallel = 4
max_discharge_current = 15
max_charge_current = 2
"""


def board(text: str) -> BoardFile:
    return read_board_file(f'name = "test"\n{text}', "test.toml")


def found(text: str, channel: str, kind: str = "limit") -> list[tuple[int, str, float]]:
    limits = derive_limits(board(text))
    return [
        (limit.index, limit.direction, pytest.approx(limit.value))
        for limit in limits
        if (limit.channel, limit.kind) == (channel, kind)
    ]


def line(limits: Sequence[Limit], channel: str, direction: str = "above") -> str:
    (limit,) = [
        limit
        for limit in weakest(tuple(limits), channel)
        if (limit.direction, limit.kind) == (direction, "limit")
    ]
    return limit.arithmetic


def test_one_unit() -> None:
    text = UNITS.format(13, 13).split('[[battery.units]]\nname = "right"')[0]
    assert found(text, "battery_current") == [(0, "above", 84.0), (0, "below", -4.2)]
    assert line(derive_limits(board(text)), "battery_current") == (
        "2 parallel × 4.2 Ah × 10 C = 84 A: discharge limit of battery unit 'left'"
    )


def test_units_in_series_carry_one_current_and_add_cells() -> None:
    text = '[battery]\njoined = "series"\ncell_full = 4.2\n' + UNITS.format(6, 7)
    limits = derive_limits(board(text))
    assert found(text, "battery_current") == [
        (0, "above", 84.0),
        (0, "above", 60.0),
        (0, "below", -4.2),
        (0, "below", -8.0),
    ]
    assert line(limits, "battery_current").startswith("4 parallel × 15 A = 60 A: discharge")
    assert line(limits, "battery_current", "below").endswith("charge limit of battery unit 'left'")
    assert found(text, "pack_voltage", "full") == [(0, "above", 54.6)]  # (6 + 7) × 4.2 V
    battery = board(text).battery
    assert battery.cells == 13
    assert [(unit.name, unit.series) for unit in battery.units] == [("left", 6), ("right", 7)]


def test_units_in_parallel_count_as_often_as_the_weakest() -> None:
    text = '[battery]\njoined = "parallel"\ncell_stop = 3.0\n' + UNITS.format(10, 10)
    limits = derive_limits(board(text))
    assert line(limits, "battery_current") == (  # not 84 + 60: equal shares stop at 2 × 60
        "4 parallel × 15 A = 60 A, × 2 units in parallel = 120 A if they share equally: "
        "discharge limit of battery unit 'right'"
    )
    assert found(text, "pack_voltage", "stop") == [(0, "below", 30.0)]
    assert board(text).battery.cells == 10


def test_each_place_of_a_conductor_limits_its_own_current() -> None:
    text = '[battery]\njoined = "parallel"\n' + UNITS.format(10, 10) + "[[motors]]\ncount = 2\n"
    for place, expected in {
        "battery": {"battery_current": 30.0},
        "unit": {"battery_current": 60.0},
        "controller": {"battery_current": 60.0, "controller_battery_current": 30.0},
        "motor": {"motor_current": 30.0},
    }.items():
        entry = f'[[fuses]]\nname = "f"\nrated_current = 30\nplace = "{place}"\n'
        both = {
            (limit.channel, limit.direction): limit.value
            for limit in derive_limits(board(text + entry))
            if limit.part == "fuse 'f'"
        }
        assert both == {
            (channel, direction): sign * value
            for channel, value in expected.items()
            for direction, sign in (("above", 1), ("below", -1))
        }, place


def test_motors_alike_share_one_index_and_unlike_ones_have_their_own() -> None:
    alike = "[[motors]]\ncount = 2\nrated_current = 40\ntemperature_limit = 110\n"
    assert found(alike, "motor_current") == [(0, "above", 40.0), (0, "below", -40.0)]
    assert found(alike, "motor_temperature") == [(0, "above", 110.0)]
    unlike = "[[motors]]\nrated_current = 40\n[[motors]]\nrated_current = 30\n"
    controller = '[[controllers]]\nname = "c"\ncount = 2\ncontinuous_current = 35\n'
    limits = derive_limits(board(unlike + controller))
    nearest = {
        index: next(x for x in weakest(limits, "motor_current", index) if x.direction == "above")
        for index in (1, 2)
    }
    assert nearest[1].arithmetic == "35 A: continuous current of each controller 'c'"
    assert nearest[2].arithmetic == "30 A: rated current of motor 2"


def test_controller_ratings() -> None:
    text = (
        "[[controllers]]\ncount = 2\ncontinuous_current = 50\nburst_current = 90\n"
        "burst_seconds = 10\nbattery_current = 45\nmax_voltage = 60\ntemperature_limit = 85\n"
        "duty_ceiling = 0.95\n"
    )
    assert found(text, "motor_current", "burst") == [(0, "above", 90.0), (0, "below", -90.0)]
    limits = derive_limits(board(text))
    assert {limit.seconds for limit in limits if limit.kind == "burst"} == {10.0}
    assert found(text, "controller_battery_current") == [(0, "above", 45.0), (0, "below", -45.0)]
    assert line(limits, "battery_current") == (
        "2 controllers × 45 A = 90 A if they share equally: battery current of each controller"
    )
    assert found(text, "pack_voltage") == [(0, "above", 60.0)]
    assert found(text, "controller_temperature") == [(0, "above", 85.0)]
    assert found(text, "duty_cycle") == [(0, "above", 0.95), (0, "below", -0.95)]


def test_settings_are_lines_of_their_own_and_are_compared_with_the_parts() -> None:
    text = (
        '[[motors]]\ncount = 2\nrated_current = 40\n[[connectors]]\nname = "main"\n'
        "rated_current = 45\n[settings]\nmotor_current_limit = 45\nbattery_current_limit = 25\n"
        'regen_current_limit = 8\nbrake_current_limit = 40\nhorn = "loud"\n'
    )
    assert found(text, "battery_current", "setting") == [(0, "above", 50.0), (0, "below", -16.0)]
    assert found(text, "motor_current", "setting") == [(0, "above", 45.0), (0, "below", -40.0)]
    passed = settings_over_limits(derive_limits(board(text)))
    assert [(setting.arithmetic, limit.arithmetic) for setting, limit in passed] == [
        ("45 A: setting motor_current_limit", "40 A: rated current of each motor"),
        (
            "2 controllers × 25 A = 50 A: setting battery_current_limit",
            "45 A: rating of connector 'main'",
        ),
    ]


def test_a_cutback_below_the_stop_voltage_is_told() -> None:
    text = (
        '[battery]\ncell_stop = 3.0\n[[battery.units]]\nname = "u"\nseries = 13\nparallel = 1\n'
        "[settings]\nvoltage_cutback_start = 42\nvoltage_cutback_end = 38\n"
    )
    ((setting, stop),) = settings_over_limits(derive_limits(board(text)))
    assert (setting.value, stop.value) == (38.0, 39.0)


def test_nothing_stated_gives_no_limit() -> None:
    assert derive_limits(board("")) == ()


def test_every_limit_is_in_the_vocabulary_and_its_arithmetic_holds_its_figure() -> None:
    text = (
        '[battery]\njoined = "series"\ncell_full = 4.2\ncell_alarm = 3.3\ncell_stop = 3\n'
        "temperature_limit = 60\n"
        + UNITS.format(6, 7)
        + "[[motors]]\ncount = 2\nrated_current = 40\ntemperature_limit = 110\n"
        '[[leads]]\nname = "l"\nrated_current = 30\nplace = "controller"\n'
        "[settings]\nduty_limit = 0.9\nvoltage_cutback_start = 44\n"
    )
    limits = derive_limits(board(text))
    assert {limit.channel for limit in limits} >= {
        "cell_voltage",
        "pack_voltage",
        "battery_current",
        "controller_battery_current",
        "motor_current",
        "motor_temperature",
        "battery_temperature",
        "duty_cycle",
    }
    for limit in limits:
        assert limit.unit == vocabulary()[limit.channel].unit
        assert limit.kind in LIMIT_KINDS
        figure, _, why = limit.arithmetic.partition(": ")
        assert f"{abs(limit.value):g}" in figure
        assert limit.part in why or limit.part == "every cell"


NUMBERS = st.integers(-9, 9).map(float)
LIMITS = st.builds(
    Limit,
    st.sampled_from(["a", "b"]),
    st.integers(0, 2),
    st.sampled_from(["above", "below"]),
    NUMBERS,
    st.just("A"),
    st.sampled_from(["limit", "stop"]),
    st.just("p"),
    st.just("w"),
)


@given(st.lists(LIMITS), st.integers(0, 2), NUMBERS)
def test_the_weakest_is_crossed_whenever_any_is(
    limits: list[Limit], index: int, value: float
) -> None:
    nearest = weakest(tuple(limits), "a", index)
    assert len({(limit.direction, limit.kind) for limit in nearest}) == len(nearest)
    for direction in ("above", "below"):
        for kind in ("limit", "stop"):
            mine = [x for x in nearest if (x.direction, x.kind) == (direction, kind)]
            every = [
                x
                for x in limits
                if (x.channel, x.direction, x.kind) == ("a", direction, kind)
                and x.index in (0, index)
            ]
            assert any(x.crossed(value) for x in mine) == any(x.crossed(value) for x in every)
            assert all(x in every for x in mine)
            assert not any(x.crossed(math.nan) for x in mine)


WHEEL = "[vehicle]\nwheel_diameter = {}\ngearing = {}\n"


def test_wheel_speed() -> None:
    # A 23-622 tyre (ISO 5775: rim 622 mm, tyre 23 mm) rolls 2.096 m a turn in the tables that
    # come with cycle computers (common practice, from memory); 622 + 2 × 23 = 668 mm.
    assert wheel_speed(board(WHEEL.format(0.668, 1)), 60) == pytest.approx(2.096, rel=0.002)
    # By hand: 3000 r/min ÷ 5 = 10 wheel turns a second, × π × 0.5 m.
    assert wheel_speed(board(WHEEL.format(0.5, 5)), 3000) == pytest.approx(5 * math.pi)


def test_electrical_speed_goes_through_the_pole_pairs() -> None:
    # Synchronous speed, 120 f / poles (any machines handbook): 4 poles at 60 Hz turn at
    # 1800 r/min; 60 Hz is an electrical speed of 3600 r/min.
    one = board(WHEEL.format(0.5, 5) + "[[motors]]\npole_pairs = 2\n")
    assert 3600 * speed_per_rpm(one, electrical=True) == pytest.approx(wheel_speed(one, 1800))
    two = board(WHEEL.format(0.5, 5) + "[[motors]]\npole_pairs = 2\n[[motors]]\npole_pairs = 8\n")
    assert speed_per_rpm(two, electrical=True, motor=2) == pytest.approx(speed_per_rpm(two) / 8)


@pytest.mark.parametrize(
    ("text", "electrical", "needs"),
    [
        ("", False, "add vehicle.wheel_diameter, vehicle.gearing to the board file"),
        ("[vehicle]\ngearing = 2\n", False, "add vehicle.wheel_diameter to"),
        (WHEEL.format(0.5, 2), True, "add motors.pole_pairs to"),
    ],
)
def test_a_speed_that_cannot_be_derived_names_what_it_needs(
    text: str, electrical: bool, needs: str
) -> None:
    with pytest.raises(SaglineError, match=needs):
        speed_per_rpm(board(text), electrical=electrical)
