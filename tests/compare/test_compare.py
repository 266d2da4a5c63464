"""Launches found and measured, conditions told from the setting, the verdict, the prediction."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy

from sagline_analyser.compare.comparison import compare
from sagline_analyser.compare.measures import figures
from sagline_analyser.compare.plan import plan
from sagline_analyser.compare.predict import parse_setting, predict
from sagline_analyser.compare.runs import find_runs
from sagline_analyser.compare.sides import Part, split
from sagline_analyser.load import load_ride
from sagline_analyser.load.ride import Ride, RideMark
from sagline_logger.format import SaglineError
from support.launch_rides import launch_board, launch_ride
from support.rides import channel, make_ride, make_stream

RATE = 100
FORCE = 0.02
"""m/s² for each ampere of motor current in the rides below."""


def steady(
    accelerations: list[float],
    volts: float = 48.0,
    wobble: float = 0.0,
    rolling: float = 0.0,
    throttle: float = 1.0,
    **more: object,
) -> Ride:
    """Return launches of constant acceleration (m/s²), 6 s each from rest, at 40 A battery current.

    With ``rolling`` (m/s) there is a hand's width of motion before each, which makes them pulls.
    """
    speed, hand, motor, battery = [], [], [], []
    for acceleration in accelerations:
        rest, go, stop = 3 * RATE, 6 * RATE, 2 * RATE
        clock = np.arange(go) / RATE
        speed += [
            np.full(rest, rolling),
            rolling + acceleration * clock,
            np.linspace(rolling + acceleration * 6, rolling, stop),
        ]
        hand += [np.zeros(rest), np.full(go, throttle), np.zeros(stop)]
        motor += [np.zeros(rest), np.full(go, (acceleration + wobble) / FORCE), np.zeros(stop)]
        battery += [np.zeros(rest), np.full(go, 40.0), np.zeros(stop)]
    columns = {
        channel("speed", "m/s", exponent=-6): np.concatenate(speed),
        channel("throttle", "1"): np.concatenate(hand),
        channel("motor_current", "A", 1): np.concatenate(motor),
        channel("battery_current", "A"): np.concatenate(battery),
        channel("pack_voltage", "V"): volts - 0.05 * np.concatenate(battery),
    }
    time = np.arange(len(columns[channel("throttle", "1")])) / RATE
    return make_ride(make_stream("fast", time, columns), **more)


def sides(*rides: Ride, **how: object) -> list[Part]:
    return split([(ride, None) for ride in rides], **how)  # type: ignore[arg-type]


def test_figures_of_a_constant_acceleration_are_those_of_the_textbook() -> None:
    """v = a·t, s = v₀·t + ½·a·t², E = U·I·t (any physics textbook), for each launch."""
    ride = steady([1.0, 1.25, 1.5])
    group = compare(sides(ride)).launches
    assert group is not None and len(group.runs) == 3
    goal = group.goal.high
    assert goal == pytest.approx(math.floor(3.6 * 0.97 * 5.99) / 3.6)
    for run, acceleration in zip(group.runs, (1.0, 1.25, 1.5), strict=True):
        found = figures(run, group.goal)
        taken = (goal - 0.5) / acceleration
        assert found["time_to_speed"] == pytest.approx(taken, abs=0.01)
        assert found["distance"] == pytest.approx(0.5 * 3 + acceleration * 4.5, rel=0.01)
        assert found["energy"] == pytest.approx(46.0 * 40.0 * taken / 3600, rel=0.01)
        assert found["heat"] == pytest.approx((acceleration / FORCE) ** 2 * taken, rel=0.01)
        assert found["sag"] == pytest.approx(2.0, abs=0.005)
        assert found["peak_battery"] == found["mean_battery"] == pytest.approx(40.0)


def test_gentle_and_broken_off_launches_are_left_out_and_counted() -> None:
    strong, gentle = steady([1.0, 1.0, 0.3]), steady([1.0], throttle=0.6)
    found = compare(sides(strong, gentle, sides="AA"))
    assert found.launches is not None and len(found.launches.runs) == 2
    assert any("1 gentler launch" in note for note in found.notes)
    assert any("broken off" in note for note in found.notes)


def test_pulls_are_timed_between_speeds_that_all_pass() -> None:
    slow, fast = (steady([a, a * 1.01, a * 0.99, a * 1.005], rolling=2.0) for a in (1.0, 1.2))
    found = compare(sides(slow, fast))
    assert found.launches is None and found.pulls is not None
    goal = found.pulls.goal
    assert 2.0 < goal.low < goal.high < 8.0
    row = found.pulls.row("time_to_speed")
    assert row.mean_a == pytest.approx((goal.high - goal.low) / 1.0, rel=0.01)
    assert row.mean_b == pytest.approx((goal.high - goal.low) / 1.2, rel=0.01)
    assert found.verdict is not None and found.verdict.outcome == "better"


def test_a_pull_whose_speed_was_lost_is_left_out_and_said() -> None:
    rides = [steady([a, a * 1.01, a * 0.99, a * 1.005], rolling=2.0) for a in (1.0, 1.2)]
    values = dict(rides[1].streams["fast"].values)
    values["speed"] = values["speed"].copy()
    values["speed"][5 * RATE : 5 * RATE + RATE // 2] = np.nan
    lossy = replace(rides[1], streams={"fast": replace(rides[1].streams["fast"], values=values)})
    found = compare(sides(rides[0], lossy))
    assert found.pulls is not None
    assert all(np.isfinite(run.speed[run.inside]).all() for run in found.pulls.runs)
    (note,) = [note for note in found.notes if "left out" in note]
    assert note.startswith("1 pull left out") and "speed" in note
    assert not any("left out" in note for note in compare(sides(*rides)).notes)


def test_without_a_throttle_channel_the_current_shows_the_launches() -> None:
    ride = steady([1.0, 1.1])
    stream = ride.streams["fast"]
    kept = {k: v for k, v in stream.channels.items() if k != "throttle"}
    bare = replace(ride, streams={"fast": replace(stream, channels=kept)})
    runs, _ = find_runs(bare, None, "A", 1, (0.0, math.inf))
    assert [round(run.start, 1) for run in runs] == [3.0, 14.0]


def test_better_worse_and_the_higher_the_scatter_the_less_it_can_tell() -> None:
    slow, fast = [1.0, 1.01, 0.99, 1.0], [1.1, 1.11, 1.09, 1.1]
    assert outcome(slow, fast) == "better"
    assert outcome(fast, slow) == "worse"
    assert outcome(slow, slow[::-1]) == "cannot tell"
    found = compare(sides(steady([1.0, 1.2, 0.9, 1.1]), steady([1.05, 1.25, 0.95, 1.1])))
    assert found.verdict is not None and found.verdict.outcome == "cannot tell"
    assert found.verdict.more is not None and found.verdict.more > 4
    few = compare(sides(steady(slow[:2]), steady(fast[:2])))
    assert few.verdict is not None and few.verdict.outcome == "cannot tell"
    assert "least is 3" in few.verdict.text and few.verdict.more == 1


def outcome(a: list[float], b: list[float]) -> str:
    verdict = compare(sides(steady(a), steady(b))).verdict
    assert verdict is not None
    return str(verdict.outcome)


def test_a_fuller_pack_takes_the_verdict_away() -> None:
    """Power goes with voltage: 10 % of it can be all of 8 % less time."""
    a = [steady([x], volts=v) for x, v in ((1.0, 46.0), (1.004, 46.1), (0.997, 45.9))]
    b = [steady([x], volts=v) for x, v in ((1.08, 51.0), (1.085, 51.1), (1.078, 50.9))]
    found = compare(sides(*a, *b, sides="AAABBB"))
    assert found.verdict is not None and found.verdict.outcome == "cannot tell"
    assert "pack voltage" in found.verdict.text
    condition = next(c for c in found.main.confounders if c.key == "rest_voltage")
    assert condition.real and condition.effect == pytest.approx(-5 / 48.5, rel=0.01)
    # With the fuller pack on the slower side it cannot be the pack.
    swapped = compare(
        sides(
            *[steady([1.0 + k], volts=51.0 + k) for k in (0, 0.01, 0.005)],
            *[steady([1.08 + k], volts=46.0 + k) for k in (0, 0.01, 0.005)],
            sides="AAABBB",
        )
    )
    assert swapped.verdict is not None and swapped.verdict.outcome == "better"


def test_a_slope_between_the_sides_is_sized() -> None:
    """Newton's law: a road that rises by 2 % takes 0.02·g of acceleration, shared with the turning
    parts' inertia of 4 % (the simulated board's own)."""
    board = launch_board(8)
    flat, hill = (
        launch_ride(board, "slope", charge=0.7, launches=3, rise=rise) for rise in (0.0, 0.02)
    )
    found = compare(split([(r.ride, r.board_file) for r in (flat, hill)]))
    slope = next(c for c in found.main.confounders if c.key == "slope")
    assert slope.difference.value == pytest.approx(0.02 * 9.80665 / 1.04, rel=0.1)
    assert slope.real and slope.effect > 0


def test_four_rides_in_the_order_abba(ridden: dict[str, Path]) -> None:
    rides = [(load_ride(path), None) for path in ridden.values()]
    found = compare(split(rides, by="motor_current_limit"))
    assert found.order == "ABBA" and not any("order" in note for note in found.notes)
    assert [change.name for change in found.changes] == ["motor_current_limit"]
    assert found.launches is not None
    assert (len(found.launches.side("A")), len(found.launches.side("B"))) == (6, 6)
    verdict = found.verdict
    assert verdict is not None and verdict.outcome == "better"
    peak = found.launches.row("peak_motor")
    assert peak.mean_b is not None and peak.mean_b / peak.mean_a == pytest.approx(1.15, abs=0.01)
    assert peak.clear
    by_cause = {one.cause: one for one in found.launches.causes}
    assert by_cause["motor-current limit"].a > by_cause["motor-current limit"].b
    assert sum(one.a for one in found.launches.causes) == pytest.approx(1, abs=0.02)

    name, value = "motor_current_limit", float(found.changes[0].b)
    made = predict(found, name, value)
    assert made.old == pytest.approx(float(found.changes[0].a), rel=0.01)
    scored = {one.measure.key: one for one in made.figures}
    for key in ("time_to_speed", "peak_battery", "peak_motor"):
        assert scored[key].inside, scored[key]
    time = scored["time_to_speed"]
    assert time.high < time.a, "the predicted interval must exclude that nothing changes"
    # From A alone it is the same prediction, but for the number of launches to come and the goal.
    alone = predict(compare(split(rides[:1])), name, value)
    assert all(one.measured is None and one.inside is None for one in alone.figures)
    ratio = alone.figures[0].value / alone.figures[0].a
    assert ratio == pytest.approx(time.value / time.a, rel=0.02)


# ------------------------------------------------------------------------ sides


def test_marks_split_a_ride_and_name_the_sides() -> None:
    marks = ("A soft", "hard B", "rest", "BA", "A")
    ride = steady([1.0] * 6, marks=tuple(RideMark(11.0 * n, n, t) for n, t in enumerate(marks, 1)))
    parts = sides(ride, marks=True)
    assert [(p.side, p.start) for p in parts] == [("A", 11.0), ("B", 22.0), ("A", 55.0)]
    parts = sides(ride, marks=True, sides="-ABBA-")
    assert [p.side for p in parts] == ["A", "B", "B", "A"]
    plain = replace(ride, marks=tuple(RideMark(11.0 * n, n, "") for n in (1, 2)))
    assert [p.side for p in sides(plain, marks=True)] == ["A", "B", "A"]


@pytest.mark.parametrize(
    ("how", "where"),
    [
        ({"sides": "AB"}, "--sides"),
        ({"sides": "ABX"}, "--sides"),
        ({"sides": "BBB"}, "--sides"),
        ({"by": "motor_current_limit"}, "ride.sagline"),
        ({"marks": True}, "--marks"),
    ],
)
def test_sides_that_do_not_fit_are_refused(how: dict[str, object], where: str) -> None:
    ride = steady([1.0])
    with pytest.raises(SaglineError) as problem:
        sides(ride, ride, ride, **how)
    assert problem.value.where == where


@pytest.mark.parametrize("text", ["x", "wheel=3", "motor_current_limit=-4", "duty_limit=nan"])
def test_a_setting_that_cannot_be_predicted_is_refused(text: str) -> None:
    with pytest.raises(SaglineError) as problem:
        parse_setting(text)
    assert problem.value.where == "--predict"


# ------------------------------------------------------------------------ what a design can tell


def test_launches_of_one_ride_are_no_repeats_of_the_setting() -> None:
    """Two rides a side whose launches hardly scatter, but which differ among themselves by as much
    as the sides do: counted launch by launch this would be sure."""
    a = [steady([x, x * 1.001, x * 0.999, x]) for x in (1.0, 1.05)]
    b = [steady([x, x * 1.001, x * 0.999, x]) for x in (1.03, 1.09)]
    found = compare(sides(a[0], *b, a[1], sides="ABBA"))
    assert found.verdict is not None and found.verdict.outcome == "cannot tell"
    by = found.main.row("time_to_speed").difference
    assert by is not None and by.free == 2 and by.stretches == (2, 2) and not by.typical
    assert by.low < 0 < by.high


def test_a_difference_too_small_to_matter_is_a_verdict_of_its_own() -> None:
    """0.4 % in every ride: clear of chance, and nothing to anybody unless asked for."""
    a = [steady([x, x * 1.001, x]) for x in (1.0, 1.0005)]
    b = [steady([x * 1.004, x * 1.005, x * 1.004]) for x in (1.0, 1.0005)]
    parts = sides(a[0], *b, a[1], sides="ABBA")
    found = compare(parts)
    assert found.verdict is not None and found.verdict.outcome == "no difference that matters"
    assert "2.0% of A's figure" in found.verdict.text
    keen = compare(parts, matters=0.001)
    assert keen.verdict is not None and keen.verdict.outcome == "better"


def test_a_little_that_a_condition_may_have_hidden_is_never_better() -> None:
    """B 0.4 % sooner from a pack 10 % lower: what that voltage hid is not known."""
    a = [steady([x, x * 1.001, x], volts=51.0) for x in (1.0, 1.0005)]
    b = [steady([x * 1.004, x * 1.005, x * 1.004], volts=46.0) for x in (1.0, 1.0005)]
    verdict = compare(sides(a[0], *b, a[1], sides="ABBA")).verdict
    assert verdict is not None and verdict.outcome == "cannot tell"
    assert "too little to matter, but pack voltage before it pushed the other way" in verdict.text


def test_a_lower_voltage_on_the_slower_side_works_against_it() -> None:
    """The words: what pushed B towards slower did not favour it."""
    a = [steady([x], volts=v) for x, v in ((1.08, 51.0), (1.085, 51.1), (1.078, 50.9))]
    b = [steady([x], volts=v) for x, v in ((1.0, 46.0), (1.004, 46.1), (0.997, 45.9))]
    verdict = compare(sides(*a, *b, sides="AAABBB")).verdict
    assert verdict is not None and verdict.outcome == "cannot tell"
    assert "pack voltage before it worked against B" in verdict.text
    assert "favoured" not in verdict.text
    measured = next(line for line in verdict.advice if line.startswith("Pack voltage"))
    assert "A 51.00" in measured and "B 46.00" in measured


def test_where_slope_is_the_doubt_its_measurement_is_shown() -> None:
    flat = [steady([1.0, 1.002, 0.998]) for _ in range(2)]
    # 0.2 m/s² less acceleration for the current that flowed: 2 % of slope.
    hill = [steady([0.8, 0.802, 0.798], wobble=0.2) for _ in range(2)]
    verdict = compare(sides(flat[0], *hill, flat[1], sides="ABBA")).verdict
    assert verdict is not None and verdict.outcome == "cannot tell"
    assert "slope, wind and load, apparent worked against B" in verdict.text
    (shown,) = [line for line in verdict.advice if line.startswith("Slope")]
    assert shown.count("A ") >= 2 and "m/s²" in shown and "quarter-seconds" in shown


@pytest.mark.parametrize("stated", [True, False])
def test_current_is_told_from_load_where_both_go_together(stated: bool) -> None:
    """Newton's law: rides that differ by 8 % in what an ampere does, and 10 % more current on B in
    launches held at one current; the currents tell what the setting did, 9 % of the time."""
    rides = []
    for letter, load in zip("ABBA", (1.04, 1.03, 0.96, 0.97), strict=True):
        amps = 1.1 if letter == "B" else 1.0
        accelerations = [amps * load * x for x in (1.0, 1.002, 0.998, 1.001)]
        ride = steady(accelerations)
        current = ride.streams["fast"].values["motor_current_1"]
        settings = {"motor_current_limit": f"{50 * amps:g}"} if stated else {}
        stream = replace(
            ride.streams["fast"],
            values={**ride.streams["fast"].values, "motor_current_1": current / load},
        )
        rides.append(replace(ride, streams={"fast": stream}, settings=settings))
    found = compare(sides(*rides, sides="ABBA"))
    assert found.verdict is not None and found.verdict.outcome == "better", found.verdict
    row = found.main.row("time_to_speed")
    assert row.difference is not None and row.alike == ("currents",)
    assert row.difference.value / row.mean_a == pytest.approx(1 / 1.1 - 1, rel=0.2)
    assert row.difference.p < 0.05 and "taken out" in " ".join(found.verdict.advice)
    assert any("state no setting that differs" in note for note in found.notes) is not stated


def test_a_stated_setting_that_was_not_in_force_is_told(ridden: dict[str, Path]) -> None:
    rides = [load_ride(path) for path in ridden.values()]
    rides[1] = replace(rides[1], settings={**rides[1].settings, "motor_current_limit": "60"})
    found = compare(split([(ride, None) for ride in rides], sides="ABBA"))
    assert any("60 A" in doubt and "not" in doubt for doubt in found.doubts)
    assert len({one.part for one in found.settings}) == 4
    sound = compare(split([(load_ride(p), None) for p in ridden.values()], sides="ABBA"))
    assert not any("motor current limit" in doubt for doubt in sound.doubts)


def test_a_plan_tells_beforehand_what_is_found() -> None:
    """Reference: the power of scipy's noncentral t for the design and the spread it states."""
    for order, launches, electric in (("ABBA", 7, True), ("ABBAABBA", 5, False)):
        made = plan(order, launches, electric)
        edge = scipy.stats.t.ppf(0.975, made.free)
        found = scipy.stats.nct.sf(edge, made.free, made.finds / made.error)
        assert found == pytest.approx(0.80, abs=0.005) and not made.measured
        assert f"{made.finds:.1%}" in made.text and "typical" in made.text
    assert plan("ABBAABBA", 5, False).finds < plan("ABBA", 5, False).finds
    a = compare(sides(*[steady([x, x, x]) for x in (1.0, 1.01, 0.99)], sides="AAA"))
    measured = plan("ABBA", 3, False, a)
    assert measured.measured and measured.spread == pytest.approx(0.01, rel=0.05)
    with pytest.raises(SaglineError):
        plan("AAAA", 6)
