"""Where the ride went: against rules of navigation, the simulated road, and fixes gone wrong."""

import numpy as np
import pytest

from sagline_analyser.findings.energy.consumption import consumption_answer, measure_consumption
from sagline_analyser.findings.energy.reported_charge import compared, last_report
from sagline_analyser.findings.readings.course import Course, find_course, find_heights
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.findings.readings.unknown import NotKnown
from sagline_analyser.load.ride import Ride
from support.rides import channel, make_ride, make_stream

MILE = 1852.0
"""m in a nautical mile, by definition (First International Extraordinary Hydrographic Conference,
Monaco 1929): near to one minute of latitude everywhere, within 1 % (common practice of
navigation)."""


def ride_along(latitude: np.ndarray, longitude: np.ndarray, step: float = 1.0) -> Ride:
    columns = {
        channel("latitude", "°", exponent=-7): latitude,
        channel("longitude", "°", exponent=-7): longitude,
    }
    return make_ride(make_stream("course", np.arange(len(latitude)) * step, columns))


def course_of(latitude: np.ndarray, longitude: np.ndarray, step: float = 1.0) -> Course:
    course = find_course(ride_along(latitude, longitude, step))
    assert course is not None
    return course


@pytest.mark.parametrize("start", [-55.0, 0.5, 45.0, 70.0])
def test_a_minute_of_latitude_is_a_sea_mile_and_of_longitude_shrinks_with_the_cosine(
    start: float,
) -> None:
    along = np.linspace(0, 1 / 60, 100)
    north = course_of(start + along, np.full(100, 7.0))
    assert north.north[-1] == pytest.approx(MILE, rel=0.01)
    assert np.abs(north.east).max() < 0.1
    east = course_of(np.full(100, start), 7.0 + along)
    assert east.east[-1] == pytest.approx(MILE * np.cos(np.radians(start)), rel=0.01)
    assert np.abs(east.north).max() < 0.1


def test_across_the_180th_meridian_there_is_no_leap() -> None:
    degrees = 179.999 + np.linspace(0, 0.002, 50)
    found = course_of(np.full(50, 1.0), (degrees + 180) % 360 - 180)
    assert np.all(np.diff(found.east) > 0) and found.east[-1] < 300


def test_what_is_no_fix_is_left_out() -> None:
    latitude, longitude = np.full(40, 1.0), 2.0 + np.arange(40) * 1e-5
    latitude[:3] = longitude[:3] = 0.0  # a receiver without a fix
    latitude[10], longitude[20], latitude[30] = np.nan, 181.0, 1.5  # missing, impossible, a leap
    found = course_of(latitude, longitude)
    assert len(found.time) == 40 - 6
    assert np.hypot(found.east, found.north).max() < 50
    assert found.gap[found.time == 11].all() and found.gap[found.time == 31].all()


def test_a_first_fix_that_is_wrong_is_the_one_left_out() -> None:
    latitude, longitude = np.full(40, 1.0), 2.0 + np.arange(40) * 1e-5
    latitude[0] = 3.0
    found = course_of(latitude, longitude)
    assert found.time.tolist() == list(range(1, 40))


def test_no_course_without_two_fixes() -> None:
    assert find_course(ride_along(np.zeros(5), np.zeros(5))) is None
    assert find_course(ride_along(np.full(5, np.nan), np.ones(5))) is None
    lone = make_stream("one", [0.0, 1.0], {channel("latitude", "°", exponent=-7): [1.0, 1.0]})
    assert find_course(make_ride(lone)) is None


def hill(noise: float, metres: float = 2000.0) -> Ride:
    """Level, then 5 % up, level, 4 % down, at 5 m/s; 3 W more for each watt of the road."""
    time = np.arange(0, metres / 5, 0.1)
    way = 5 * time
    slope = np.select([(way > 400) & (way < 1000), (way > 1200) & (way < 1700)], [0.05, -0.04], 0)
    height = 30 + np.cumsum(slope) * 0.5
    power = 100 + 9.81 * 50 * 5 * slope  # of 50 kg; no losses
    random = np.random.default_rng(5)
    fast = {
        channel("speed", "m/s"): np.full(time.size, 5.0),
        channel("pack_voltage", "V"): np.full(time.size, 50.0),
        channel("battery_current", "A"): power / 50,
    }
    slow = {channel("altitude", "m"): (height + noise * random.normal(size=time.size))[::10]}
    return make_ride(
        make_stream("fast", time, fast, [], 0.1), make_stream("slow", time[::10], slow, [], 1.0)
    )


@pytest.mark.parametrize("noise", [0.0, 0.5])
def test_slope_and_climb_are_those_of_the_road(noise: float) -> None:
    found = find_heights(Gathered(hill(noise)))
    assert found is not None
    inside = [(100, 340, 0.0), (460, 940, 0.05), (1060, 1140, 0.0), (1260, 1640, -0.04)]
    for start, end, slope in inside:
        here = found.slope[(found.distance > start) & (found.distance < end)]
        assert np.mean(here) == pytest.approx(slope, abs=0.002 + 0.008 * noise)
        # Of a straight line through seven means of two readings, 10 m apart: noise/√2/√2800 m.
        assert np.abs(here - slope).max() < 0.001 + 4 * noise / np.sqrt(2 * 2800)
    assert found.climbed == pytest.approx(600 * 0.05, abs=1 + noise)
    assert found.descended == pytest.approx(500 * 0.04, abs=1 + noise)


def test_consumption_by_slope_is_the_work_against_weight() -> None:
    found = measure_consumption(Gathered(hill(0.2)))
    assert not isinstance(found, NotKnown)
    by = {rate.label: rate.per_km for rate in found.grades}
    level = 100 / 5 / 3.6  # Wh/km: 100 W at 5 m/s
    # Lifting 50 kg by 50 m takes m g h (any textbook of mechanics) for each km of 5 %.
    assert by["level"] == pytest.approx(level, rel=0.15)
    assert by["uphill"] - level == pytest.approx(50 * 9.81 * 50 / 3600, rel=0.15)
    assert level - by["downhill"] == pytest.approx(50 * 9.81 * 40 / 3600, rel=0.15)
    answer = consumption_answer(Gathered(hill(0.2)))
    assert any("By the altitude the road rose" in line for line in answer.details)
    assert not any("no channel tells the slope" in line for line in answer.details)


def test_a_short_way_has_no_profile() -> None:
    assert find_heights(Gathered(hill(0.0, 100.0))) is None


def test_a_speed_that_is_none_makes_no_profile() -> None:
    time = np.arange(100.0)
    columns = {
        channel("speed", "m/s", exponent=3): np.full(100, 1e6),
        channel("altitude", "m"): np.zeros(100),
    }
    assert find_heights(Gathered(make_ride(make_stream("one", time, columns)))) is None


def test_reported_charge_agrees_or_is_told_to_disagree() -> None:
    time = np.arange(0.0, 10.0)
    share = np.linspace(0.5, 0.41, 10)
    share[-1] = np.nan
    stream = make_stream("slow", time, {channel("state_of_charge", "1"): share})
    report = last_report(make_ride(stream), 0, 10)
    assert report is not None and report.charge == pytest.approx(0.42, abs=1e-3)
    assert report.time == 8.0
    same, apart = compared(report, (0.40, 0.50), "45% ± 5%")
    assert not apart and "agree" in same and "42%" in same
    other, apart = compared(report, (0.55, 0.65), "60% ± 5%")
    assert apart and "disagree" in other and "the lower one, the board" in other
    other, apart = compared(report, (0.15, 0.25), "20% ± 5%")
    assert apart and "the lower one, ours" in other
    assert last_report(make_ride(stream), 20, 30) is None
    odd = make_stream("slow", time, {channel("state_of_charge", "1"): np.full(10, 42.0)})
    assert last_report(make_ride(odd), 0, 10) is None  # percent in a channel for shares
