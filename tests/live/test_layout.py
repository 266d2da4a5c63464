"""The live view's lines: they fit every terminal and say in words what colour says."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sagline_logger.live.alarms import Alarm, Threshold
from sagline_logger.live.glance import numbers
from sagline_logger.live.layout import CAUTION, Status, draw, duration, size

LATEST = {
    "battery_current": 63.4,
    "motor_current_1": 88.0,
    "motor_current_2": -91.0,
    "duty_cycle_1": 0.83,
    "motor_temperature_1": 71.0,
    "controller_temperature_2": 83.2,
    "ambient_temperature": 95.0,
    "cell_voltage_1": 3.72,
    "cell_voltage_7": 3.01,
}
STATUS = Status("kestrel", 754, "link up", True, 31234, 0, 12_300_000, 2_100_000_000, 2)
LOW = Alarm(Threshold("cell_voltage_7", False, 3.1, "V", "cell alarm voltage"), True, None, 3.01)


def text(lines) -> str:
    return "\n".join("".join(span.text for span in line) for line in lines)


def test_the_six_numbers_are_the_ones_that_matter():
    found = numbers(LATEST)
    assert [n.title for n in found][:3] == ["battery current", "motor current 1", "motor current 2"]
    assert (found[4].value, found[4].part) == (83.2, "controller 2")  # ambient air is no part
    assert (found[5].value, found[5].part) == (3.01, "7")
    assert found[3].value == pytest.approx(83)


def test_nothing_known_yet_shows_dashes():
    assert [number.text for number in numbers({})] == ["-"] * 6


def test_the_two_most_loaded_of_many_motors_are_shown():
    latest = {f"motor_current_{i}": float(value) for i, value in enumerate([5, -40, 10, 30], 1)}
    assert [n.title for n in numbers(latest)[1:3]] == ["motor current 2", "motor current 4"]


def test_an_alarm_is_told_in_words_with_its_reason():
    page = text(draw(numbers(LATEST), [LOW], STATUS, 80, 24))
    assert "ALARM cell voltage 7 3.01 V, below 3.1 (cell alarm voltage)" in page
    assert CAUTION in page


def test_80_by_24_holds_large_digits_link_health_and_two_alarms():
    lines = draw(numbers(LATEST), [LOW, LOW], STATUS, 80, 24)
    page = text(lines)
    assert len(lines) == 24
    assert "█" in page
    assert page.count("ALARM") == 2
    for word in ("link up", "31.2 kB/s", "lost 0", "0:12:34", "free 2.1 GB", "lowest cell"):
        assert word in page


def test_a_small_terminal_gets_a_plain_list():
    page = text(draw(numbers(LATEST), [LOW], STATUS, 40, 12))
    assert "█" not in page
    assert "! lowest cell" in page


@given(st.integers(1, 200), st.integers(5, 60), st.integers(0, 9))
def test_lines_never_exceed_the_terminal(width, height, alarms):
    lines = draw(numbers(LATEST), [LOW] * alarms, STATUS, width, height)
    assert len(lines) <= height
    assert all(sum(len(span.text) for span in line) <= width for line in lines)


def test_sizes_and_durations():
    assert [size(n) for n in (0, 999, 1000, 2_500_000)] == ["0 B", "999 B", "1.0 kB", "2.5 MB"]
    assert duration(36 * 3600 + 61) == "36:01:01"
