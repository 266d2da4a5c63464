"""A whole board file's limits, one after the other, and every refusal to the letter.

Rules and keys: ``protocol_docs/board_file.md``.  Series and parallel: Kirchhoff's laws; a rate in
C: IEC 61434; speed: π·d/60 a turn of the wheel a minute.
"""

import math
from dataclasses import fields
from pathlib import Path

import pytest

from sagline_logger.format import (
    BoardFile,
    Limit,
    SaglineError,
    Vehicle,
    derive_limits,
    load_board_file,
    read_board_file,
    speed_per_rpm,
    weakest,
    wheel_speed,
)
from sagline_logger.format.toml_tables import Rule, shown

WHOLE = """name = "Kestrel"
[vehicle]
wheel_diameter = 0.4
gearing = 2.5
total_mass = 90
[battery]
joined = "parallel"
cell_full = 4.2
cell_alarm = 3.3
cell_stop = 3
temperature_limit = 60
[[battery.units]]
name = "left"
series = 10
parallel = 2
cell_capacity = 3
max_discharge_rate = 5
max_charge_current = 1.5
[[battery.units]]
name = "bare"
series = 10
parallel = 1
[[battery.units]]
name = "right"
series = 10
parallel = 4
max_discharge_current = 10
[[motors]]
name = "front"
rated_current = 40
temperature_limit = 110
pole_pairs = 7
winding_resistance = 0.1
[[motors]]
rated_current = 30
pole_pairs = 14
[[controllers]]
name = "twin"
count = 2
continuous_current = 50
burst_current = 90
burst_seconds = 10
battery_current = 25
max_voltage = 60
temperature_limit = 85
duty_ceiling = 0.95
[[fuses]]
name = "main"
rated_current = 45
[[leads]]
name = "box lead"
rated_current = 20
place = "unit"
[[connectors]]
name = "plug"
rated_current = 18
place = "controller"
[[connectors]]
name = "phase"
rated_current = 60
place = "motor"
[settings]
motor_current_limit = 45
brake_current_limit = 20
battery_current_limit = 22
regen_current_limit = 8
duty_limit = 0.9
voltage_cutback_start = 36
voltage_cutback_end = 32
horn = "loud"
"""


def test_a_whole_number_is_a_quantity_all_the_same() -> None:
    battery = read_board_file('name = "x"\n[battery]\ncell_full = 4\n' + UNIT, "b").battery
    assert isinstance(battery.cell_full, float) and isinstance(battery.units[0].series, int)


def both(channel, value, part, why, kind="limit", index=0, seconds=0.0, unit="A"):
    return [
        (channel, index, way, sign * value, unit, kind, part, why, seconds)
        for way, sign in (("above", 1), ("below", -1))
    ]


def test_every_limit_of_a_whole_board_file():
    one = "every cell"
    left, right = "battery unit 'left'", "battery unit 'right'"
    share = "× 3 units in parallel = {} A if they share equally"
    each = "each controller 'twin'"
    wanted = [
        ("cell_voltage", 0, "above", 4.2, "V", "full", one, "4.2 V: full cell", 0.0),
        ("pack_voltage", 0, "above", 42.0, "V", "full", one,
         "10 in series × 4.2 V = 42 V: full cell", 0.0),
        ("cell_voltage", 0, "below", 3.3, "V", "alarm", one, "3.3 V: alarm voltage of a cell", 0.0),
        ("pack_voltage", 0, "below", 33.0, "V", "alarm", one,
         "10 in series × 3.3 V = 33 V: alarm voltage of a cell", 0.0),
        ("cell_voltage", 0, "below", 3.0, "V", "stop", one, "3 V: stop voltage of a cell", 0.0),
        ("pack_voltage", 0, "below", 30.0, "V", "stop", one,
         "10 in series × 3 V = 30 V: stop voltage of a cell", 0.0),
        ("battery_temperature", 0, "above", 60.0, "°C", "limit", "battery",
         "60 °C: temperature limit of the battery", 0.0),
        ("battery_current", 0, "above", 90.0, "A", "limit", left,
         f"2 parallel × 3 Ah × 5 C = 30 A, {share.format(90)}: discharge limit of {left}", 0.0),
        ("battery_current", 0, "above", 120.0, "A", "limit", right,
         f"4 parallel × 10 A = 40 A, {share.format(120)}: discharge limit of {right}", 0.0),
        ("battery_current", 0, "below", -9.0, "A", "limit", left,
         f"2 parallel × 1.5 A = 3 A, {share.format(9)}: charge limit of {left}", 0.0),
        *both("battery_current", 45.0, "fuse 'main'", "45 A: rating of fuse 'main'"),
        *both("battery_current", 60.0, "lead 'box lead'",
              f"20 A, {share.format(60)}: rating of lead 'box lead'"),
        *both("controller_battery_current", 18.0, "connector 'plug'",
              "18 A: rating of connector 'plug'"),
        *both("battery_current", 36.0, "connector 'plug'",
              "2 controllers × 18 A = 36 A if they share equally: rating of connector 'plug'"),
        *both("motor_current", 60.0, "connector 'phase'", "60 A: rating of connector 'phase'"),
        *both("motor_current", 40.0, "motor 1 'front'",
              "40 A: rated current of motor 1 'front'", index=1),
        ("motor_temperature", 1, "above", 110.0, "°C", "limit", "motor 1 'front'",
         "110 °C: temperature limit of motor 1 'front'", 0.0),
        *both("motor_current", 30.0, "motor 2", "30 A: rated current of motor 2", index=2),
        *both("motor_current", 50.0, each, f"50 A: continuous current of {each}"),
        *both("motor_current", 90.0, each, f"90 A for 10 s: burst current of {each}", "burst",
              seconds=10.0),
        *both("controller_battery_current", 25.0, each, f"25 A: battery current of {each}"),
        *both("battery_current", 50.0, each,
              f"2 controllers × 25 A = 50 A if they share equally: battery current of {each}"),
        ("pack_voltage", 0, "above", 60.0, "V", "limit", each,
         f"60 V: greatest voltage of {each}", 0.0),
        ("controller_temperature", 0, "above", 85.0, "°C", "limit", each,
         f"85 °C: temperature limit of {each}", 0.0),
        *both("duty_cycle", 0.95, each, f"0.95: duty ceiling of {each}", unit="1"),
    ]  # fmt: skip
    for name, channel, way, value, quantity in (
        ("motor_current_limit", "motor_current", "above", 45.0, "45 A"),
        ("brake_current_limit", "motor_current", "below", -20.0, "20 A"),
        ("battery_current_limit", "controller_battery_current", "above", 22.0, "22 A"),
        ("regen_current_limit", "controller_battery_current", "below", -8.0, "8 A"),
        ("duty_limit", "duty_cycle", "above", 0.9, "0.9"),
        ("voltage_cutback_start", "pack_voltage", "below", 36.0, "36 V"),
        ("voltage_cutback_end", "pack_voltage", "below", 32.0, "32 V"),
    ):
        part, unit = f"setting {name}", {"A": "A", "V": "V"}.get(quantity[-1], "1")
        wanted.append((channel, 0, way, value, unit, "setting", part, f"{quantity}: {part}", 0.0))
        if channel == "controller_battery_current":
            why = f"2 controllers × {quantity} = {2 * abs(value):g} A: {part}"
            wanted.append(("battery_current", 0, way, 2 * value, "A", "setting", part, why, 0.0))
    found = derive_limits(read_board_file(WHOLE, "b"))
    assert [
        (x.channel, x.index, x.direction, pytest.approx(x.value), x.unit, x.kind, x.part,
         x.arithmetic, x.seconds)
        for x in found
    ] == wanted  # fmt: skip


def test_the_nearest_limit_of_a_column():
    limits = derive_limits(read_board_file(WHOLE, "b"))
    for index, value in ((0, 50.0), (1, 40.0), (2, 30.0), (3, 50.0)):
        (found,) = [
            x
            for x in weakest(limits, "motor_current", index)
            if (x.direction, x.kind) == ("above", "limit")
        ]
        assert found.value == value, index
    assert weakest(limits, "motor_current") == weakest(limits, "motor_current", 0)
    limit = Limit("x", 0, "above", 5.0, "A", "limit", "p", "a")
    assert limit.crossed(5.1) and not limit.crossed(5.0) and not limit.crossed(math.nan)
    below = Limit("x", 0, "below", 5.0, "A", "limit", "p", "a")
    assert below.crossed(4.9) and not below.crossed(5.0) and limit.seconds == 0.0


def test_the_speed_of_the_road():
    board = read_board_file(WHOLE, "b")
    assert speed_per_rpm(board) == pytest.approx(math.pi * 0.4 / 150)
    assert speed_per_rpm(board, electrical=True) == pytest.approx(math.pi * 0.4 / 150 / 7)
    assert speed_per_rpm(board, electrical=True, motor=2) == pytest.approx(math.pi * 0.4 / 2100)
    assert wheel_speed(board, 300) == pytest.approx(math.pi * 0.8)
    for text, motor, missing in (
        ("", 1, "vehicle.wheel_diameter, vehicle.gearing, motors.pole_pairs"),
        ("[vehicle]\nwheel_diameter = 1\ngearing = 1\n[[motors]]\n", 1, "motors.pole_pairs"),
        ("[vehicle]\ngearing = 1\n[[motors]]\npole_pairs = 3\n", 1, "vehicle.wheel_diameter"),
    ):
        with pytest.raises(SaglineError) as problem:
            speed_per_rpm(read_board_file('name = "k"\n' + text, "b"), electrical=True, motor=motor)
        assert str(problem.value) == (
            f"no road speed can be derived from motor speed; add {missing} to the board file"
        )


def test_parts_that_are_not_alike_have_numbers_and_one_alone_has_none():
    two = '[[controllers]]\nburst_current = 9\nburst_seconds = 2\n[[controllers]]\nname = "b"\n'
    limits = derive_limits(read_board_file(f'name = "k"\n{two}duty_ceiling = 0.9\n', "b"))
    assert [(x.index, x.part, x.seconds) for x in limits] == [
        (1, "controller 1", 2.0),
        (1, "controller 1", 2.0),
        (2, "controller 2 'b'", 0.0),
        (2, "controller 2 'b'", 0.0),
    ]
    one = 'name = "k"\n[[controllers]]\nbattery_current = 9\n[[motors]]\nrated_current = 5\n'
    assert [
        (x.channel, x.index, x.arithmetic) for x in derive_limits(read_board_file(one, "b"))
    ] == [
        ("motor_current", 0, "5 A: rated current of motor"),
        ("motor_current", 0, "5 A: rated current of motor"),
        ("controller_battery_current", 0, "9 A: battery current of controller"),
        ("controller_battery_current", 0, "9 A: battery current of controller"),
        ("battery_current", 0, "9 A: battery current of controller"),
        ("battery_current", 0, "9 A: battery current of controller"),
    ]


@pytest.mark.parametrize(
    "kind", ["motors", "controllers", "fuses", "leads", "connectors", "battery.units"]
)
def test_two_parts_of_one_name_are_refused(kind):
    more = {"battery.units": "series = 2\nparallel = 1\n"}.get(kind, "")
    more = more or ("" if kind in ("motors", "controllers") else "rated_current = 1\n")
    text = f'[[{kind}]]\nname = "a"\n{more}' * 2
    with pytest.raises(SaglineError) as problem:
        read_board_file('name = "k"\n' + text, "b")
    told = [str(one) for one in (problem.value, *problem.value.more)]
    assert any(f'{kind}.name "a" is used twice; give each' in one for one in told)


def test_what_is_stated_is_there():
    board = read_board_file("\ufeff" + WHOLE, "b")
    assert isinstance(board, BoardFile) and board.motor_count == 2
    assert [unit.capacity for unit in board.battery.units] == [6.0, None, None]
    assert board.battery.cells == 10 and board.motors[0].count == 1
    assert dict(board.settings)["horn"] == "loud" and board.fuses[0].place == "battery"
    none = read_board_file('name = "k"\n', "b")
    assert (none.motor_count, none.battery.cells) == (0, 0)
    only = read_board_file('name = "k"\n[[controllers]]\ncount = 3\n', "b")
    assert only.motor_count == 3


VEHICLE = ", ".join(field.name for field in fields(Vehicle))
UNIT = '[[battery.units]]\nname = "u"\nseries = 4\nparallel = 1\n'

REFUSED = {
    "b:1: the name is missing; begin with name = \"Kestrel\"": "",
    'b:2: fuses has no rated_current; add a line such as rated_current = 60': (
        '[[fuses]]\nname = "f"\n'
    ),
    "b:2: motor is not a key of a board file; did you mean motors?": "motor = 3\n",
    "b:3: battery.gearing is not a key of a board file; it belongs under [vehicle]": (
        "[battery]\ngearing = 2\n"
    ),
    "b:3: vehicle.count is not a key of a board file; it belongs under [[motors]] or "
    "[[controllers]]": "[vehicle]\ncount = 2\n",
    f"b:3: vehicle.zzz is not a key of a board file; known here: {VEHICLE}": (
        "[vehicle]\nzzz = 2\n"
    ),
    'b:3: vehicle.gearing must be a number above 0 and at most 1000, not "x"; motor turns for one '
    "turn of the wheel (1 for a hub motor), as in gearing = 5.2": '[vehicle]\ngearing = "x"\n',
    "b:3: vehicle.gearing must be a number above 0 and at most 1000, not 1000.5; motor turns for "
    "one turn of the wheel (1 for a hub motor), as in gearing = 5.2": (
        "[vehicle]\ngearing = 1000.5\n"
    ),
    "b:3: motors.count must be a whole number above 0 and at most 16, not 17; how many such "
    "motors, numbered 1, 2, … through all [[motors]], as in count = 2": "[[motors]]\ncount = 17\n",
    'b:3: battery.joined must be "series" or "parallel", not an array; how the units are joined, '
    'needed when there are several, as in joined = "series"': "[battery]\njoined = []\n",
    "b:2: motors must be an array of tables; begin it with a line [[motors]]": "motors = 3\n",
    "b:2: battery must be a table; begin it with a line [battery]": "battery = 3\n",
    "b:3: battery.units must be an array of tables; begin it with a line [[battery.units]]": (
        "[battery]\nunits = 3\n"
    ),
    "b:3: settings.regen_current_limit must be a number of at least 0 and at most 5000 in A, "
    "not -1; battery current limit of one controller while regenerating, as a positive "
    "number, as in regen_current_limit = 8": "[settings]\nregen_current_limit = -1\n",
    "b:3: settings.x must be a number, true, false or a text of 1 to 1024 bytes of printable "
    "characters; shorten it": "[settings]\nx = [1]\n",
    f"b:3: settings.{'n' * 49} has a name that is not a text of 1 to 48 bytes of printable "
    "characters; choose another name": f"[settings]\n{'n' * 49} = 1\n",
    'b:6: fuses.name "f" is used twice; give each its own name, so that a limit can name its '
    "part": '[[fuses]]\nname = "f"\nrated_current = 1\n[[fuses]]\nname = "f"\nrated_current = 1\n',
    'b:2: battery has several units but no joined; add joined = "series" or joined = "parallel"': (
        UNIT + UNIT.replace('"u"', '"v"')
    ),
    'b:10: battery.units.series differs between units in parallel; "u" has 4; units of unequal '
    "voltage must not be joined in parallel": (
        '[battery]\njoined = "parallel"\n'
        + UNIT
        + UNIT.replace('"u"', '"v"').replace("series = 4", "series = 5")
    ),
    "b:7: battery.units.max_charge_current stands beside max_charge_rate; keep one of the two": (
        UNIT + "max_charge_rate = 1\nmax_charge_current = 1\ncell_capacity = 1\n"
    ),
    "b:6: battery.units.max_discharge_rate needs the cell's capacity; add cell_capacity in Ah": (
        UNIT + "max_discharge_rate = 1\n"
    ),
    "b:3: battery.cell_stop must be below cell_alarm; cell_alarm is 3 V": (
        "[battery]\ncell_stop = 3\ncell_alarm = 3.0\n"
    ),
    "b:2: controllers drive 2, but there are 1 motors; state one controller output for each motor "
    "with count": "[[controllers]]\ncount = 2\n[[motors]]\n",
    "b:3: controllers.burst_current stands alone; state burst_current and burst_seconds together": (
        "[[controllers]]\nburst_current = 2\n"
    ),
    "b:3: controllers.burst_seconds stands alone; state burst_current and burst_seconds together": (
        "[[controllers]]\nburst_seconds = 2\n"
    ),
    "b:3: controllers.burst_current is below continuous_current; check the data sheet": (
        "[[controllers]]\nburst_current = 2\nburst_seconds = 1\ncontinuous_current = 3\n"
    ),
    "b:3: settings.voltage_cutback_start is below voltage_cutback_end; the cut begins at the "
    "higher voltage": "[settings]\nvoltage_cutback_start = 3\nvoltage_cutback_end = 4\n",
}  # fmt: skip


@pytest.mark.parametrize("line", REFUSED)
def test_a_board_file_is_refused_in_words(line):
    text = ("" if "name is missing" in line else 'name = "k"\n') + REFUSED[line]
    with pytest.raises(SaglineError) as problem:
        read_board_file(text, "b")
    assert str(problem.value) == line


def test_the_most_and_least_that_is_allowed():
    read_board_file(
        'name = "k"\n[vehicle]\nwheel_diameter = 3\ngearing = 1000\n[settings]\n'
        "regen_current_limit = 0\nduty_limit = 1\nvoltage_cutback_start = 4\n"
        "voltage_cutback_end = 4\n[[controllers]]\nburst_current = 3\nburst_seconds = 3600\n"
        f"continuous_current = 3\n[battery]\ntemperature_limit = -49.9\n[[leads]]\n"
        f'name = "{"n" * 48}"\nrated_current = 5000\n',
        "b",
    )


def test_all_that_is_wrong_is_told_at_once_in_order():
    with pytest.raises(SaglineError) as problem:
        read_board_file('name = 3\n[vehicle]\nzz = 1\ngearing = "x"\n', "b")
    told = [problem.value, *problem.value.more]
    assert [one.where for one in told] == ["b:1", "b:3", "b:4"]


def test_what_is_no_toml_says_where():
    for text, told in (
        ("name = 3 V\n", "b:1: not TOML ("),
        ('name = "k"\nname = "l"\n', "b:2: not TOML (stated twice, column "),
        ('name = "k', "end of the file); write texts in double quotes, numbers with a point"),
        ("a = " + "[" * 30_000, "b: not TOML (a value too long or nested too deeply); see "
         "protocol_docs/board_file.md"),
    ):  # fmt: skip
        with pytest.raises(SaglineError) as problem:
            read_board_file(text, "b")
        assert told in str(problem.value)
    with pytest.raises(SaglineError) as problem:
        read_board_file('name = "k"\nname = "l"\n', "b")
    assert problem.value.remedy == "keep one of the two"


def test_a_board_file_that_cannot_be_read(tmp_path: Path):
    path = tmp_path / "b.toml"

    def told() -> str:
        with pytest.raises(SaglineError) as problem:
            load_board_file(path)
        return str(problem.value)

    assert told() == (
        f"{path}: cannot read the board file (No such file or directory); check the path"
    )
    path.write_bytes(b"#" * 65_537)
    assert told() == (
        f"{path}: the board file is longer than 64 KiB; is it the right file? Write one with: "
        "sagline-logger board --new FILE"
    )
    path.write_bytes(b"name = 1\n\n# \xff\n")
    assert told() == (
        f"{path}:3: the board file is not UTF-8 text; save it as UTF-8 in your editor"
    )
    raw = b'name = "k"\n' + b"#" * (65_536 - 11)
    path.write_bytes(raw)
    board, kept = load_board_file(str(path))
    assert board.name == "k" and kept == raw


def test_values_are_shown_short():
    assert shown("x" * 38) == '"' + "x" * 38 + '"' and shown("x" * 39) == "a longer value"
    assert (shown({}), shown([]), shown(True), shown(2.5)) == ("a table", "an array", "true", "2.5")
    assert shown("a\n\x1b") == '"a\\n\\x1b"'
    rule = Rule("t", low=1, high=3, whole=True)
    assert [rule.accepts(one) for one in (1, 2, 3, 4, 2.0, True)] == [False, True, True] + [
        False
    ] * 3
    assert rule.wanted == "a whole number above 1 and at most 3"
