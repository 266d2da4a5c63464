"""The live view's lines: they fit every terminal and say in words what colour says."""

from hypothesis import given
from hypothesis import strategies as st

from sagline_logger.format import Limit
from sagline_logger.live.alarms import Alarm, AlarmThreshold, worst_first
from sagline_logger.live.digits import large
from sagline_logger.live.glance import Number, numbers
from sagline_logger.live.layout import CAUTION, LARGE, Status, _list, draw, duration, size
from sagline_logger.live.watch import AlarmWatch
from support.channels import STANDARD

LATEST = {
    "speed": 6.6667,
    "pack_voltage": 47.31,
    "state_of_charge": 0.55,
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
LOW = Alarm(
    AlarmThreshold("cell_voltage_7", False, 3.1, "V", "cell alarm voltage", rank=2),
    True,
    None,
    3.01,
    3.05,
)
HOT = Alarm(AlarmThreshold("motor_temperature_1", True, 70, "°C", "motor"), True, None, 71.0, 71.0)


def text(lines) -> str:
    return "\n".join("".join(span.text for span in line) for line in lines)


def test_the_nine_numbers_are_the_ones_that_matter():
    found = numbers(LATEST, STANDARD)[:LARGE]
    assert [n.title for n in found] == [
        "speed",
        "battery current",
        "charge",
        "motor current 1",
        "motor current 2",
        "duty cycle",
        "pack voltage",
        "lowest cell",
        "hottest part",
    ]
    assert [n.text for n in found] == ["24", "63", "55", "88", "-91", "83", "47.3", "3.01", "83"]
    assert (found[8].value, found[8].part) == (83.2, "controller 2")  # ambient air is no part
    assert (found[7].value, found[7].part) == (3.01, "7")
    assert all(1 <= len(n.short) <= 9 for n in found)
    assert found[8].short == "control. 2" or found[8].short == "contro. 2"


def test_nothing_known_yet_shows_dashes():
    assert {number.text for number in numbers({}, STANDARD)} == {"-"}


def test_the_two_most_loaded_of_many_motors_are_shown():
    latest = {f"motor_current_{i}": float(value) for i, value in enumerate([5, -40, 10, 30], 1)}
    assert [n.title for n in numbers(latest, STANDARD)[3:5]] == [
        "motor current 2",
        "motor current 4",
    ]


def test_an_alarm_is_told_in_words_with_its_reason():
    page = text(draw(numbers(LATEST, STANDARD), [LOW], STATUS, 80, 24))
    assert "ALARM cell voltage 7 3.05 V, below 3.1 (cell alarm voltage), worst 3.01" in page
    assert CAUTION in page


def test_80_by_24_holds_large_digits_link_health_and_two_alarms():
    lines = draw(numbers(LATEST, STANDARD), [LOW, HOT], STATUS, 80, 24)
    page = text(lines)
    assert len(lines) == 24
    assert "█" in page
    assert page.count("ALARM") == 2
    for word in ("link up", "31.2 kB/s", "lost 0", "0:12:34", "free 2.1 GB", "lowest cell"):
        assert word in page


def test_a_small_terminal_gets_a_plain_list():
    page = text(draw(numbers(LATEST, STANDARD), [LOW, HOT], STATUS, 40, 12))
    assert "█" not in page
    for words in (
        "!cell 7    3.01 V",
        " speed       24 km/h",
        " charge      55 %",
        " motor 2    -91 A",
    ):
        assert words in page, page
    assert page.count("ALARM") == 2 and CAUTION[:20] in page


def test_a_large_screen_gets_numerals_twice_as_high():
    small = text(draw(numbers(LATEST, STANDARD), [], STATUS, 80, 24)).splitlines()
    tall = draw(numbers(LATEST, STANDARD), [LOW, HOT], STATUS, 120, 40)
    page = text(tall).splitlines()
    assert len(page) <= 40
    rows = [sum("█" in line or "▀" in line for line in some) for some in (small, page)]
    assert rows[1] == 3 * 5 and rows[0] == 3 * 3  # a numeral is five half rows high
    for word in ("speed", "charge", "pack voltage", "! lowest cell 7", "ALARM motor temp"):
        assert any(word in line for line in page), word


def test_a_tenth_number_takes_no_large_one_from_the_screen():
    more = (
        Number("throttle", 61.0, "%", 0, "", ("throttle",), "throttle"),
        Number("field current", 4.2, "A", 1, "", ("field_current",), "field"),
    )
    known = numbers(LATEST, STANDARD)
    for width, height in ((80, 24), (120, 40)):
        page = text(draw([*known[:LARGE], *more], [LOW, HOT], STATUS, width, height))
        assert sum("█" in line or "▀" in line for line in page.splitlines()) >= 9
        assert " throttle    61 %" in page and " field      4.2 A" in page
        assert page.count("ALARM") == 2 and CAUTION in page
    assert "!throttle    61 %" in text(_list(more, {"throttle"}, 80))


def test_a_numeral_twice_as_large_is_the_same_picture():
    dots = {" ": (0, 0), "▀": (1, 0), "▄": (0, 1), "█": (1, 1)}

    def picture(rows):
        return [[dots[sign][half] for sign in row] for row in rows for half in (0, 1)]

    one, two = picture(large("-47.3")), picture(large("-47.3", 2))
    assert two[::2] == two[1::2]
    assert [line[::2] for line in two[::2]] == one == [line[1::2] for line in two[::2]]


def test_the_gravest_alarm_comes_first_and_a_column_is_told_once():
    def alarm(key, value, now, rank, above=False):
        limit = AlarmThreshold(key, above, value, "V", "part", rank=rank)
        return Alarm(limit, True, None, now, now)

    stop = alarm("cell_voltage_1", 3.0, 2.98, 0)
    same = alarm("cell_voltage_1", 3.2, 2.98, 2)  # further beyond, and less grave
    near, far = (
        alarm("motor_current_1", 40, 41, 1, True),
        alarm("battery_current", 35, 50, 1, True),
    )
    quiet = Alarm(stop.threshold)
    assert worst_first([same, near, quiet, far, stop]) == [stop, far, near]


def test_what_alarmed_is_told_at_the_end_with_how_often_and_the_worst():
    limits = [
        Limit("pack_voltage", 0, "below", 39, "V", "stop", "box", "3 V x 13"),
        Limit("pack_voltage", 0, "below", 42, "V", "alarm", "box", "3.2 V x 13"),
    ]
    watch = AlarmWatch(limits)
    assert watch.past == []
    for time in range(0, 60, 1):
        volts = 36.5 if 10 <= time < 15 else 38.0 if 30 <= time < 35 else 45.0
        watch.update(float(time), {"pack_voltage": volts}, STANDARD)
    assert watch.past == ["pack voltage below 39 V (box) 2 times, worst 36.5 V"]


@given(st.integers(1, 200), st.integers(5, 60), st.integers(0, 9))
def test_lines_never_exceed_the_terminal(width, height, alarms):
    lines = draw(numbers(LATEST, STANDARD), [LOW] * alarms, STATUS, width, height)
    assert len(lines) <= height
    assert all(sum(len(span.text) for span in line) <= width for line in lines)


def test_sizes_and_durations():
    assert [size(n) for n in (0, 999, 1000, 2_500_000)] == ["0 B", "999 B", "1.0 kB", "2.5 MB"]
    assert duration(36 * 3600 + 61) == "36:01:01"
