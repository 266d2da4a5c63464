"""One judge of what is a standard channel: name, unit and index (protocol_docs/vocabulary.toml)."""

import numpy as np
import pytest

from sagline_analyser.findings.readings.series import column
from sagline_analyser.findings.readings.speed import vehicle_speed
from sagline_analyser.page.columns import Column
from sagline_analyser.page.panels import lay_out
from sagline_logger.capture.listener import Listener
from sagline_logger.format import Channel, SampleType, Stream, vocabulary
from support.logs import board, pack
from support.rides import channel, make_ride, make_stream


def test_every_term_is_its_own_standard_channel() -> None:
    for name, term in vocabulary().items():
        index = 0 if term.index == "none" else 1
        assert channel(name, term.unit, index).term is term
        assert channel(name, term.unit, index).nearly == ""
        assert channel(name, "furlong", index).term is None
        assert "furlong" in channel(name, "furlong", index).nearly
    assert channel("own", "km/h").term is None and channel("own", "km/h").nearly == ""
    assert channel("pack_voltage", "V", 2).term is None
    assert "no index" in channel("cell_voltage", "V").nearly
    assert channel("motor_current", "A").term is not None


@pytest.mark.parametrize("unit", ["km/h", "m/s"])
def test_a_speed_in_another_unit_is_no_speed(unit: str) -> None:
    time = np.arange(0, 10, 0.1)
    columns = {channel("speed", unit): np.full(time.size, 25.0)}
    ride = make_ride(make_stream("fast", time, columns, [], 0.1))
    assert (column(ride, "speed") is None) == (unit == "km/h")
    assert bool(ride.keys("speed")) == (unit == "m/s")
    found = vehicle_speed(ride, None)
    assert unit == "m/s" or not hasattr(found, "series")


def test_cells_in_millivolts_reach_no_alarm_and_are_told() -> None:
    sent = Stream(
        1,
        0,
        0,
        "fast",
        10_000,
        (
            Channel("cell_voltage", "mV", SampleType.U16, index=1),
            Channel("pack_voltage", "V", SampleType.U16, exponent=-1),
        ),
    )
    listener = Listener()
    for record in (board(1), sent, pack(sent, 0, 0, [(2900, 480)])):
        assert listener.hear(record.encode())
    assert listener.values() == {"pack_voltage": 48.0}
    (line,) = listener.nearly()
    assert line.startswith("cell_voltage_1 comes in mV, not V")


def test_every_group_has_its_heading_and_parts_alone_have_temperatures() -> None:
    from sagline_analyser.page.panels import HEADED

    for term in vocabulary().values():
        assert term.group in HEADED, f"group {term.group}: no heading in page/panels.py"
        if term.group == "temperature":  # the hottest of them is told as the hottest part
            assert term.unit == "°C", f"{term.name} is no temperature of a part"


def test_humidity_is_drawn_beside_the_air_and_is_no_hot_part(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from dataclasses import replace

    from sagline_analyser.page import panels

    air = vocabulary()["ambient_temperature"]
    told = {**vocabulary(), "humidity": replace(air, name="humidity", unit="1")}
    monkeypatch.setattr(panels, "vocabulary", lambda: told)
    names = [channel(n, u) for n, u in (("humidity", "1"), ("ambient_temperature", "°C"))]
    (group,) = lay_out([_drawn(one) for one in names])
    assert (group.id, [panel.title for panel in group.panels]) == (
        "temperature",
        ["humidity", "ambient temperature"],
    )


def test_a_group_without_a_panel_keeps_its_channels(monkeypatch: pytest.MonkeyPatch) -> None:
    from dataclasses import replace

    from sagline_analyser.page import panels

    told = dict(vocabulary())
    told["speed"] = replace(told["speed"], group="weather")
    monkeypatch.setattr(panels, "vocabulary", lambda: told)
    groups = lay_out([_drawn(channel("speed", "m/s"))])
    assert [line.column.channel.name for g in groups for p in g.panels for line in p.lines] == [
        "speed"
    ]


def test_one_name_with_and_without_an_index_is_drawn() -> None:
    drawn = [_drawn(channel("motor_current", "A", index)) for index in (0, 1)]
    assert sum(len(p.lines) for g in lay_out(drawn) for p in g.panels) == 2


def test_each_of_six_motors_has_its_own_colour_and_no_two_lines_look_alike() -> None:
    drawn = [_drawn(channel("motor_current", "A", index)) for index in range(1, 7)]
    ((panel,),) = [group.panels for group in lay_out(drawn)]
    assert len({line.colour for line in panel.lines}) == 6
    names = ("motor_current", "motor_current_limit", "field_current")
    drawn = [_drawn(channel(name, "A", index)) for name in names for index in range(1, 5)]
    for group in lay_out(drawn):
        for panel in group.panels:
            looks = {(line.colour, line.dash, line.symbol, line.width) for line in panel.lines}
            assert len(looks) == len(panel.lines)


def _drawn(one: Channel) -> Column:
    import inspect

    fields = inspect.signature(Column).parameters
    known = {"key": one.key, "channel": one}
    return Column(**{name: known.get(name, 0) for name in fields})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "right"),
    [
        ("battery_curent", "battery_current"),
        ("batery_current", "battery_current"),
        ("battery_cuurrent", "battery_current"),
        ("batteryCurrent", "battery_current"),
        ("Battery-Current", "battery_current"),
        ("batterycurrent", "battery_current"),
        ("batt_current", "battery_current"),
        ("pack_volts", "pack_voltage"),
        ("pack_volatge", "pack_voltage"),
        ("cell_voltages", "cell_voltage"),
        ("cell_voltage_7", "cell_voltage, index 7,"),
        ("cellVoltage12", "cell_voltage, index 12,"),
        ("motor_temp", "motor_temperature"),
        ("speed_kmh", "speed"),
        ("sped", "speed"),
        ("throtle", "throttle"),
        ("motor_curent_limit", "motor_current_limit"),
    ],
)
def test_a_name_nearly_standard_is_told_with_the_right_one(name: str, right: str) -> None:
    one = channel(name, "A")
    assert one.term is None
    assert f"{name} is no standard name, {right} is: " in one.nearly


@pytest.mark.parametrize(
    "name",
    [
        "motor_current_q",
        "motor_current_a",
        "battery_current_max",
        "field_current",
        "current",
        "rotor_current",
        "pitch",
        "board_temperature",
        "torque",
        "voltage",
        "pack_power",
        "speed_over_ground",
        "x",
        "7",
        "",
        "cell_balance",
        "break_pedal_force",
    ],
)
def test_a_name_of_its_own_is_left_alone(name: str) -> None:
    assert channel(name, "A").nearly == ""


@pytest.mark.parametrize(
    ("name", "unit", "remedy"),
    [
        ("battery_current", "mA", "send it in A: mA times 0.001"),
        ("battery_current", "amps", "write the unit as A"),
        ("pack_voltage", "mV", "send it in V: mV times 0.001"),
        ("speed", "km/h", "send it in m/s: km/h times 1/3.6"),
        ("throttle", "%", "send it in 1: % times 0.01"),
        ("throttle", "", "write the unit as 1"),
        ("motor_temperature", "degC", "write the unit as °C"),
        ("motor_temperature", "°F", "(°F minus 32) / 1.8"),
        ("motor_temperature", "K", "K minus 273.15"),
        ("motor_speed", "rpm", "write the unit as r/min"),
        ("battery_curent", "mA", "mA times 0.001"),
    ],
)
def test_a_unit_nearly_standard_is_told_with_the_right_one(
    name: str, unit: str, remedy: str
) -> None:
    assert remedy in channel(name, unit).nearly


def test_no_standard_name_is_nearly_another() -> None:
    for name, term in vocabulary().items():
        assert channel(name, term.unit, 0 if term.index == "none" else 1).nearly == ""
