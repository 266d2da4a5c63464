"""The alarm state machine: hold before raising, hysteresis and hold before clearing."""

import itertools
import math

from hypothesis import given
from hypothesis import strategies as st

from sagline_logger.format import derive_limits, read_board_file
from sagline_logger.live.alarms import HOLD, HYSTERESIS, RAISE_AFTER, SLACK, Alarm, AlarmThreshold
from sagline_logger.live.watch import thresholds
from support.channels import STANDARD

LOW_CELL = AlarmThreshold("cell_voltage_7", False, 3.10, "V", "cell alarm voltage")
HOT = AlarmThreshold("motor_temperature_1", True, 100.0, "°C", "motor limit")


def run(threshold: AlarmThreshold, readings: list[tuple[float, float]]) -> list[bool]:
    alarm = Alarm(threshold)
    states = []
    for time, value in readings:
        alarm = alarm.update(time, value)
        states.append(alarm.raised)
    return states


def test_a_single_spike_raises_nothing():
    assert run(HOT, [(0, 99), (0.1, 101), (0.2, 99), (1, 99)]) == [False] * 4


def test_a_value_that_stays_beyond_raises_after_the_hold():
    assert run(HOT, [(0, 101), (RAISE_AFTER / 2, 101), (RAISE_AFTER, 101)]) == [False, False, True]


def test_it_stays_raised_inside_the_hysteresis_and_clears_after_the_hold():
    inside = 100 * (1 - HYSTERESIS / 2)
    below = 100 * (1 - 2 * HYSTERESIS)
    readings = [(0, 101), (1, 101), (2, inside), (20, inside), (21, below)]
    readings += [(21 + HOLD / 2, below), (21 + HOLD, below)]
    assert run(HOT, readings) == [False, True, True, True, True, True, False]


def test_a_low_threshold_works_downwards_and_keeps_the_worst_value():
    alarm = Alarm(LOW_CELL)
    for time, value in [(0, 3.05), (0.5, 3.02), (1, 2.95), (1.5, 3.08)]:
        alarm = alarm.update(time, value)
    assert alarm.raised
    assert alarm.worst == 2.95


def test_a_missing_reading_changes_nothing():
    alarm = Alarm(HOT).update(0, 120).update(1, 120)
    assert alarm.update(2, math.nan) == alarm


@given(st.lists(st.floats(90, 110), min_size=2, max_size=200), st.floats(0.01, 0.5))
def test_two_changes_of_state_are_never_closer_than_the_hold_times(values, step):
    states = run(HOT, [(step * i, value) for i, value in enumerate(values)])
    changes = [i for i in range(1, len(states)) if states[i] != states[i - 1]]
    for first, second in itertools.pairwise(changes):
        least = HOLD if states[first] else RAISE_AFTER
        assert (second - first) * step >= least - 1e-9


PACK = """
name = "Kestrel"
[battery]
cell_full = 4.2
cell_alarm = 3.3
cell_stop = 3.0
[[battery.units]]
name = "box"
series = 2
parallel = 1
"""


def test_each_of_the_three_cell_voltages_is_watched_as_the_pack_page_says():
    limits = derive_limits(read_board_file(PACK, "kestrel.toml"))
    watched = thresholds(limits, ["cell_voltage_1", "cell_voltage_2"], STANDARD)
    assert {(one.key, one.above, one.value) for one in watched} == {
        (key, above, value)
        for key in ("cell_voltage_1", "cell_voltage_2")
        for above, value in ((True, 4.2), (False, 3.3), (False, 3.0))
    }


def test_braking_into_a_full_pack_rings_and_a_full_pack_at_rest_does_not():
    limits = derive_limits(read_board_file(PACK, "kestrel.toml"))
    (full,) = (one for one in thresholds(limits, ["cell_voltage_2"], STANDARD) if one.above)
    just_charged = [(at / 5, 4.2 * (1 + SLACK * 0.9)) for at in range(50)]
    assert not any(run(full, just_charged))
    braking = [(0, 4.20), (1, 4.25), (1.3, 4.26), (2, 4.21), (3, 4.19), (3 + HOLD, 4.19)]
    assert run(full, braking) == [False, False, True, True, True, False]
