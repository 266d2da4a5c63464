"""Broken sensors are named and nothing rests on them; sound ones are not named.

The rides are those of the trust bench (``tests/trust/sensor_rides.py``): laws that our simulator
does not use.  The bench has ten seeds of each fault and many more sound rides.
"""

from dataclasses import replace

import numpy as np
import pytest

from sagline_analyser.findings.answers import answers
from sagline_analyser.findings.basis import Basis, figures, open_basis, without
from sagline_analyser.findings.readings.series import Series, column
from sagline_analyser.findings.sensors.doubt import SensorDoubt, spans_of
from sagline_analyser.findings.sensors.levels import ReadingPace, blocks_of, unreachable
from sagline_analyser.load.ride import Ride
from sagline_logger.format import derive_limits, read_board_file, vocabulary
from support.rides import channel, make_ride, make_stream
from trust.sensor_rides import FAULTS, UNEQUAL, broken, own_ride, unequal_ride, with_values


def test_sound_sensors_are_not_named():
    for seed in (1, 2, UNEQUAL):
        assert open_basis(own_ride(seed)).sensors == ()


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_named_and_nothing_rests_on_it(fault):
    found = broken(unequal_ride(), fault, UNEQUAL)
    assert found is not None
    basis = open_basis(found.ride)
    doubts = [doubt for doubt in basis.sensors if doubt.key in found.keys]
    assert doubts, basis.sensors
    assert {doubt.key for doubt in basis.sensors} <= set(found.keys)
    for doubt in doubts:
        assert doubt.doubt
        assert any(digit.isdigit() for digit in doubt.evidence)
        assert all(0 <= a <= b <= found.ride.duration for a, b in doubt.spans)
        if doubt.set_aside:
            stream = basis.ride.find(doubt.key) or basis.ride.streams[doubt.key]
            for key in (doubt.key,) if doubt.key in stream.values else tuple(stream.values):
                assert np.isnan(stream.values[key][doubt.inside(stream.time)]).all()


@pytest.mark.parametrize(
    ("fault", "figure"),
    [
        ("speed of 198 km/h for a moment", "top_speed"),
        ("motor speed drops to zero", "top_speed"),
        ("temperature jumps to 180 °C", "hottest_part"),
        ("thermistor shorted, bursts", "hottest_part"),
        ("loose cell tap, bursts", "lowest_cell"),
    ],
)
def test_the_figures_are_those_of_the_sound_ride(fault, figure):
    """What was broken for moments only leaves the extremes as they were without the fault."""
    found = broken(unequal_ride(), fault, UNEQUAL)
    assert found is not None
    told, true = figures(open_basis(found.ride)), figures(open_basis(unequal_ride()))
    assert told[figure].value == pytest.approx(true[figure].value, rel=0.02)


def test_few_changes_that_go_together_closely_tell_a_current_at_half():
    # Nine changes of the current in four minutes: one fewer than where they agree loosely.
    found = broken(own_ride(11003), "battery current at half", 11003)
    assert [doubt.key for doubt in open_basis(found.ride).sensors] == ["battery_current"]
    assert open_basis(own_ride(11003)).sensors == ()


def test_what_is_lost_is_said():
    found = broken(unequal_ride(), "battery current of the wrong sign", UNEQUAL)
    assert found is not None
    basis = open_basis(found.ride)
    charge = figures(basis)["charge_net"]
    assert charge.value is None
    assert "battery current set aside: wrong sign" in charge.how
    consumption = next(a for a in answers(basis) if a.key == "consumption")
    assert not consumption.known
    assert "Without battery current (wrong sign)" in consumption.verdict
    cut = without(
        found.ride, (SensorDoubt("battery_current", "", "", ((0.0, found.ride.duration),)),)
    )
    assert [f.value for f in figures(open_basis(cut))] == [f.value for f in figures(basis)]


def test_a_figure_whose_channel_is_set_aside_keeps_its_line():
    found = broken(unequal_ride(), "battery current of the wrong sign", UNEQUAL)
    assert found is not None
    figures_told, true = figures(open_basis(found.ride)), figures(open_basis(unequal_ride()))
    gone = {one.key for one in true} - {one.key for one in figures_told}
    assert gone <= {"peak_regeneration"}, "of a current that is not known no sign is either"
    line = figures_told["peak_battery_current"]
    assert line.value is None and "needs the channel battery_current" in line.how
    assert "set aside: wrong sign" in line.how


def test_missing_samples_are_kept_and_told():
    found = broken(unequal_ride(), "20 % of a channel missing", UNEQUAL)
    assert found is not None
    basis = open_basis(found.ride)
    (doubt,) = basis.sensors
    assert (doubt.key, doubt.set_aside) == ("battery_current", False)
    assert "20 %" in doubt.evidence
    assert "with gaps: samples missing" in figures(basis)["charge_net"].note


TIME = np.arange(0, 120, 0.1)


def _pack(cells: np.ndarray, current: np.ndarray | None = None, **more: np.ndarray) -> Basis:
    columns = {channel("cell_voltage", "V", k + 1): v for k, v in enumerate(cells)}
    columns[channel("pack_voltage", "V")] = more.get("pack", cells.sum(axis=0))
    if current is not None:
        columns[channel("battery_current", "A")] = current
    return open_basis(make_ride(make_stream("fast", TIME, columns, period=0.1)))


def test_a_weak_cell_is_no_loose_tap():
    """It sags alone, and the pack's voltage with it; an empty one falls to 1 V under load."""
    load = 40.0 * (np.sin(TIME / 3) > 0)
    resistance = np.full(10, 0.004)
    resistance[4], resistance[5] = 0.012, 0.003
    cells = 3.7 - resistance[:, None] * load
    cells[4] -= 1.8 * np.clip((TIME - 60) / 60, 0, 1) * (load > 0)
    luck = np.random.default_rng(1)
    assert _pack(cells + luck.normal(0, 0.001, cells.shape), load).sensors == ()


def test_a_dead_tap_is_not_an_empty_cell():
    cells = np.full((10, len(TIME)), 3.7) - 0.1 * (np.sin(TIME / 3) > 0)
    whole = cells.sum(axis=0)
    cells[5] += cells[4]
    cells[4] = 0.0
    basis = _pack(cells, pack=whole)
    assert {d.key for d in basis.sensors} == {"cell_voltage_5", "cell_voltage_6"}
    assert "not an empty cell" in basis.sensors[0].evidence
    assert "meter" in basis.sensors[0].evidence
    assert figures(basis)["lowest_cell"].value == pytest.approx(3.6)


def _driven(count: int = 10) -> tuple[np.ndarray, np.ndarray]:
    """Cells that sag under a load that goes on and off, and run down; and the load in A."""
    load = 40.0 * (np.sin(TIME / 3) > 0)
    cells = 3.8 - 0.2 * TIME / TIME[-1] - 0.004 * load + np.zeros((count, 1))
    return cells + np.random.default_rng(1).normal(0, 0.001, (count, len(TIME))), load


@pytest.mark.parametrize("since", [0, 500, 900])
@pytest.mark.parametrize("how", ["nothing", "frozen"])
@pytest.mark.parametrize("pack", [True, False])
def test_cells_that_all_stop_together_are_no_empty_ones(since, how, pack):
    cells, load = _driven()
    whole = cells.sum(axis=0) if pack else np.full(len(TIME), np.nan)
    cells[:, since:] = 0.0 if how == "nothing" else cells[:, since : since + 1]
    basis = _pack(cells, load, pack=whole)
    assert {d.doubt for d in basis.sensors} == {
        "all cells read nothing" if how == "nothing" else "all cells frozen"
    }
    assert len(basis.sensors) == 10, "the pack's own voltage is sound"
    (line,) = basis.lines()
    assert line.startswith("cell 1 to cell 10: all cells")
    lowest = figures(basis)["lowest_cell"]
    told = {a.key: a for a in answers(basis)}
    if since == 900:
        assert lowest.value == pytest.approx(3.5, abs=0.02)
    else:
        assert lowest.value is None
        assert not told["low_cell"].known


def test_a_dead_tap_from_half_way_on_is_told_for_as_long_as_it_was():
    cells, load = _driven()
    whole = cells.sum(axis=0)
    cells[4, 500:] = 0.0
    (doubt,) = _pack(cells, load, pack=whole).sensors
    assert doubt.key == "cell_voltage_5" and " for 69.9 s" in doubt.evidence


def test_a_dead_tap_leaves_the_pack_its_voltage():
    """Its last reading stands for some time after the stream has ended."""
    cells, load = _driven()
    columns = {channel("cell_voltage", "V", k + 1): v for k, v in enumerate(cells)}
    columns[channel("cell_voltage", "V", 4)] = np.zeros(len(TIME))
    slow = {key: value[::2] for key, value in columns.items()}
    fast = {
        channel("pack_voltage", "V"): cells.sum(axis=0),
        channel("battery_current", "A"): load,
    }
    ride = make_ride(
        make_stream(
            "cells", TIME[:-3][::2], {k: v[: len(TIME[:-3][::2])] for k, v in slow.items()}
        ),
        make_stream("fast", TIME, fast, period=0.1),
    )
    assert [doubt.key for doubt in open_basis(ride).sensors] == ["cell_voltage_4"]
    # A stream that holds the cells alone is told as one; as a whole where all of it is gone.
    for since, words in ((500, "some samples of the stream cells: "), (0, "the stream cells: ")):
        for key in slow:
            ride.streams["cells"].values[ride.key("cell_voltage", key.index)][since:] = 0.0
        line, *_ = open_basis(ride).lines()
        assert line.startswith(words + "all cells read nothing"), line


def test_steady_readings_of_a_standing_board_are_unequal_ride():
    """Coarse quanta hold still for minutes; nothing else says that they should have moved."""
    still = {
        channel("pack_voltage", "V", exponent=-1): np.full(len(TIME), 48.1),
        channel("battery_current", "A", exponent=0): np.zeros(len(TIME)),
        channel("motor_current", "A", 1, 0): np.zeros(len(TIME)),
        channel("duty_cycle", "1", 1): np.zeros(len(TIME)),
        channel("motor_speed", "r/min", 1, 0): np.zeros(len(TIME)),
        channel("speed", "m/s", exponent=-1): np.zeros(len(TIME)),
        channel("throttle", "1", exponent=-2): np.zeros(len(TIME)),
        channel("motor_temperature", "°C", 1, 0): np.full(len(TIME), 21.0),
    }
    assert open_basis(make_ride(make_stream("fast", TIME, still, period=0.1))).sensors == ()


def test_a_duty_cycle_at_its_ceiling_is_not_frozen():
    rpm = 3000 + 600 * np.sin(TIME / 8)
    columns = {
        channel("duty_cycle", "1", 1): np.where(TIME < 20, 0.95 * TIME / 20, 0.95),
        channel("motor_speed", "r/min", 1, 0): np.where(TIME < 20, 3000 * TIME / 20, rpm),
    }
    assert open_basis(make_ride(make_stream("fast", TIME, columns, period=0.1))).sensors == ()


def test_an_overheating_winding_is_no_broken_thermistor():
    """12 K/s is what copper does at 50 A/mm² with no heat lost: ρ J² / (c d), handbook values."""
    rise = 1.72e-8 * 50e6**2 / (385 * 8960)
    assert rise == pytest.approx(12.5, rel=0.02)
    hot = 30 + np.clip((TIME - 60) * rise, 0, 170)
    columns = {channel("motor_temperature", "°C", 1, 0): hot}
    assert open_basis(make_ride(make_stream("slow", TIME, columns, period=0.1))).sensors == ()


def test_a_throttle_held_while_the_controller_stops_by_itself_is_unequal_ride():
    """One cut-out with the hand still on: the current is gone, the vehicle rolls out."""
    luck = np.random.default_rng(2)
    hand = np.clip(0.7 + np.cumsum(luck.normal(0, 0.01, len(TIME))), 0.4, 0.9)
    throttle = np.where(TIME < 5, 0.0, hand)
    current = np.where(TIME < 70, 40 * throttle, 0.0)
    speed = np.where(TIME < 70, np.clip(TIME - 5, 0, 9), np.clip(9 - (TIME - 70) / 4, 0, 9))
    columns = {
        channel("throttle", "1", exponent=-2): throttle,
        channel("motor_current", "A", 1): current,
        channel("speed", "m/s"): speed,
    }
    assert open_basis(make_ride(make_stream("fast", TIME, columns, period=0.1))).sensors == ()


@pytest.mark.parametrize(("ends", "stuck"), [(100.0, False), (120.0, True)])
def test_a_hand_that_lets_go_after_a_cut_out_had_held_the_throttle(ends, stuck):
    """Full throttle up a climb; at 60 s the pack is cut off, and the vehicle comes to a stand."""
    columns = {
        channel("throttle", "1"): np.where((TIME > 5) & (ends > TIME), 1.0, 0.0),
        channel("motor_current", "A", 1): np.where((TIME > 5) & (TIME < 60), 40.0, 0.0),
        channel("speed", "m/s"): np.clip(np.minimum(TIME - 5, 8 - (TIME - 60)), 0, 8),
    }
    basis = open_basis(make_ride(make_stream("fast", TIME, columns, period=0.1)))
    assert [doubt.doubt for doubt in basis.sensors] == (["stuck"] if stuck else [])


def test_jumps_are_found_and_ramps_are_followed():
    pace = ReadingPace(0.5, 8.0, 20.0, 2.0, 30.0)
    time = np.arange(0, 60, 0.1)
    ramp = 20 + 10 * np.clip(time - 20, 0, 8)
    blocks = blocks_of(Series(time, ramp, np.zeros(len(time), bool)), 0.5)
    assert not unreachable(blocks, pace, np.ones(len(blocks.first), bool)).any()
    spike = np.where((time > 40) & (time < 43), 180.0, ramp)
    blocks = blocks_of(Series(time, spike, np.zeros(len(time), bool)), 0.5)
    gone = unreachable(blocks, pace, np.ones(len(blocks.first), bool))
    assert 40 - 0.5 <= blocks.start[gone].min() <= 40.5
    assert 42.4 <= blocks.start[gone].max() <= 43


def test_spans_that_are_near_are_one_and_half_of_all_is_all():
    time = np.arange(100.0)
    flags = np.isin(time, [10, 12, 50])
    assert spans_of(time, flags, 0.5, 2.0) == ((9.5, 12.5), (49.5, 50.5))
    assert spans_of(time, time > 40) == ((0.0, 99.0),)


def _anything(luck: np.random.Generator) -> Ride:
    """Return a ride of random channels, lengths, rates and holes that means nothing."""
    streams, used = [], set()
    for number in range(int(luck.integers(1, 4))):
        count = int(luck.choice([0, 1, 2, 3, 5, 12, 30, 200]))
        time = np.sort(luck.uniform(0, luck.choice([1, 60, 4000]), count))
        columns = {}
        for name, term in vocabulary().items():
            if name in used or luck.random() < 0.5:
                continue
            used.add(name)
            single = term.index == "none"
            for index in (0,) if single else range(1, int(luck.integers(2, 6))):
                value = luck.normal(luck.choice([0, 3.7, 50]), luck.choice([0, 0.1, 20]), count)
                value[luck.random(count) < luck.choice([0.0, 0.2, 1.0])] = np.nan
                columns[channel(name, term.unit, index)] = value
        period = float(luck.choice([0, 0.1]))
        streams.append(make_stream(f"s{number}", time, columns, period=period))
    return make_ride(*streams)


@pytest.mark.filterwarnings("error")
def test_any_ride_can_be_examined():
    for seed in range(60):
        ride = _anything(np.random.default_rng(seed))
        basis = open_basis(ride)
        figures(basis)
        assert {*basis.ride.streams} == {*ride.streams}


BOARD = """
name = "Other"
[battery]
cell_full = 4.2
[[battery.units]]
name = "box"
series = {series}
parallel = 4
[[motors]]
count = {motors}
"""


def test_the_board_file_of_another_pack_is_told():
    ride = unequal_ride()
    cells, motors = len(ride.keys("cell_voltage")), len(ride.keys("motor_current"))
    own = read_board_file(BOARD.format(series=cells, motors=motors), "board.toml")
    assert open_basis(ride, own).mismatches == ()
    other = read_board_file(BOARD.format(series=cells - 1, motors=motors), "board.toml")
    (told,) = open_basis(ride, other).mismatches
    assert f"states {cells - 1} cells in series, the log has {cells}" in told
    single = read_board_file(BOARD.format(series=cells, motors=motors + 1), "board.toml")
    assert "3 motors, the log has 2" in open_basis(ride, single).mismatches[0]


def test_a_board_that_no_longer_measures_is_named_and_nothing_rests_on_it():
    """All columns hold from the middle of a launch on; the same board at rest is only at rest."""
    ride = unequal_ride()
    speed = column(ride, "speed")
    assert speed is not None
    at = float(speed.time[int(np.argmax(speed.value))])
    streams = {}
    for name, stream in ride.streams.items():
        first = int(np.searchsorted(stream.time, at))
        held = {key: v.copy() for key, v in stream.values.items()}
        for value in held.values():
            value[first:] = value[first]
        streams[name] = replace(stream, values=held)
    basis = open_basis(replace(ride, streams=streams))
    assert {doubt.key for doubt in basis.sensors} == set(streams)
    assert {doubt.doubt for doubt in basis.sensors} == {"stands still"}
    assert basis.sensors[0].spans[0][0] == pytest.approx(at, abs=0.5)
    left = basis.ride.find("battery_current")
    assert left is not None and np.isnan(left.values["battery_current"][left.time > at + 1]).all()
    quiet = {
        name: replace(s, values={key: 0 * v + v[0] for key, v in s.values.items()})
        for name, s in ride.streams.items()
    }
    assert all(d.doubt != "stands still" for d in open_basis(replace(ride, streams=quiet)).sensors)


def _cells(lowest, late: float = 0.0, others: float = 3.5) -> Ride:
    """Ten cells of which the second goes its own way, each read ``late`` s after the pack."""
    time = np.arange(0, 300, 0.2)
    load = np.where((time % 30 > 10) & (time % 30 < 16), 20.0, 0.2)
    luck = np.random.default_rng(4)
    whole = {n: others - 0.006 * load + luck.normal(0, 1e-3, len(time)) for n in range(1, 11)}
    whole[2] = lowest(time, load) + luck.normal(0, 1e-3, len(time))
    pack = sum(whole.values())
    return make_ride(
        make_stream(
            "fast",
            time,
            {channel("battery_current", "A"): load, channel("pack_voltage", "V"): pack},
        ),
        make_stream(
            "cells",
            time + late,
            {channel("cell_voltage", "V", n): value for n, value in whole.items()},
        ),
    )


@pytest.mark.parametrize("late", [0.0, 0.8])
def test_an_exhausted_cell_is_no_loose_tap(late):
    """It sags by a volt and takes seconds to come back; the pack's own voltage shows all of it, at
    the moment when it was read."""

    def sags(time, load):
        since = np.where(load > 1, 0.0, np.minimum(time % 30 - 16, 99.0) % 30)
        return np.where(load > 1, 2.6, 3.3 - 0.6 * np.exp(-since / 2))

    assert [d for d in open_basis(_cells(sags, late)).sensors if "tap" in d.doubt] == []


def test_full_cells_that_come_down_from_their_steep_end_are_no_loose_taps():
    """One stands higher for a minute, its neighbour lower, and both go by and by."""
    ride = _cells(lambda time, load: 3.35 + 0.1 * np.exp(-time / 20) - 0.006 * load, others=3.35)
    stream = ride.streams["cells"]
    below = stream.values["cell_voltage_3"] - 0.1 * np.exp(-stream.time / 20)
    changed = with_values(ride, {"cell_voltage_3": below})
    assert [d for d in open_basis(changed).sensors if "tap" in d.doubt] == []


def _rolling(per_turn: float) -> Ride:
    """A minute at up to 8 m/s, ``per_turn`` m for each turn of a motor."""
    time = np.arange(0, 60, 0.1)
    speed = 4 + 4 * np.sin(time / 7)
    turning = speed / per_turn * 60
    return make_ride(
        make_stream(
            "fast",
            time,
            {channel("speed", "m/s"): speed, channel("motor_speed", "r/min", 1): turning},
        )
    )


WHEELS = """
name = "Other"
[vehicle]
wheel_diameter = 0.25
gearing = 3
"""


def test_a_wheel_of_another_vehicle_is_told():
    own = read_board_file(WHEELS, "board.toml")
    worn, other = (np.pi * size * 0.25 / 3 for size in (0.94, 2.0))
    assert open_basis(_rolling(worn), own).mismatches == ()
    (told,) = open_basis(_rolling(other), own).mismatches
    assert told.startswith("The speed is 2 times what the motors' speed makes with wheel_diameter")


PACK = """
name = "Other"
[battery]
cell_full = {full}
[[battery.units]]
name = "box"
series = 10
parallel = 1
cell_capacity = {capacity}
"""


@pytest.mark.parametrize(
    ("cell", "full", "capacity", "words"),
    [
        (3.9, 4.2, 8.0, ""),
        (3.3, 3.65, 8.0, ""),
        (3.9, 4.2, 2.0, "The pack gave 3.33 Ah, the board file states 2 Ah: is it the file of"),
        (3.3, 4.2, 8.0, "Cells gave 3.33 Ah from 3.30 V on, where a lithium-ion cell that is full"),
    ],
)
def test_a_pack_that_the_charge_given_denies_is_told(cell, full, capacity, words):
    """20 min at 10 A."""
    time = np.arange(0, 1200.1, 0.5)
    columns = {channel("battery_current", "A"): np.full(len(time), 10.0)}
    columns |= {channel("pack_voltage", "V"): 10 * cell - time / 1e4}
    ride = make_ride(make_stream("fast", time, columns))
    board = read_board_file(PACK.format(full=full, capacity=capacity), "board.toml")
    told = open_basis(ride, board).mismatches
    assert [line[: len(words)] for line in told] == [words] * bool(words)


def test_a_board_file_inside_the_log_that_cannot_be_used_is_told():
    text = 'name = "Kestrel"\n[battery]\ncell_alarm = 3.0\ncell_stop = 3.4\n'
    basis = open_basis(replace(unequal_ride(), board_file=text))
    (line,) = basis.mismatches
    assert line.startswith("No limit and no pack is known, for the board file inside the log:")
    assert basis.notices() == (line,)
    assert open_basis(replace(unequal_ride(), board_file=None)).mismatches == ()


def test_nothing_rests_on_the_pack_of_another_board_file():
    """12 cells for 13: no limit and no answer is worked out from the file's pack."""
    ride = unequal_ride()
    cells, motors = len(ride.keys("cell_voltage")), len(ride.keys("motor_current"))
    text = BOARD + "[settings]\nmotor_current_limit = 400\n"
    text = text.replace("parallel = 4", "parallel = 4\ncell_capacity = 3")
    other = read_board_file(text.format(series=cells - 1, motors=motors), "board.toml")
    basis = open_basis(ride, other)
    assert basis.misfit and basis.board is not None and basis.board.battery.units == ()
    assert basis.board.battery.cell_full == 4.2, "a cell is a cell in any pack"
    assert not [x for x in derive_limits(basis.board) if x.channel == "pack_voltage"]
    said = {answer.key: answer for answer in answers(basis)}
    assert basis.notices()[0] == basis.mismatches[0]
    for key in ("pack_range", "full_pack", "low_cell"):
        words = f"{said[key].verdict} {' '.join(said[key].details)}"
        assert f"states {cells - 1} cells in series, the log has {cells}" in words, key
    hot = read_board_file(text.format(series=cells, motors=motors).replace("4.2", "3.0"), "b")
    basis = open_basis(ride, hot)
    assert basis.misfit and basis.board is not None and basis.board.battery.cell_full is None


def test_doubts_reach_the_trusted_ride_only():
    found = with_values(
        unequal_ride(), {"speed": np.zeros(len(unequal_ride().streams["fast"].time))}
    )
    basis = open_basis(found)
    assert np.isnan(basis.ride.streams["fast"].values["speed"]).all()
    assert not np.isnan(basis.raw.streams["fast"].values["speed"]).any()
    assert basis.raw is found
    shifted = without(
        replace(found, streams={"fast": found.streams["fast"]}),
        (SensorDoubt("speed", "", "", ((100.0, 101.0),)),),
        90.0,
    )
    gone = np.isnan(shifted.streams["fast"].values["speed"])
    assert found.streams["fast"].time[gone] == pytest.approx(np.arange(10, 11.01, 0.02))


def test_boots_set_end_to_end_are_not_two_samples_of_one_time():
    # Without a host clock the first sample of a new boot takes the time of the last one before.
    time = np.r_[np.arange(0, 5, 0.1), np.arange(4.9, 10, 0.1)]
    stream = make_stream("fast", time, {channel("speed", "m/s"): np.sin(time)}, period=0.1)
    boots = replace(stream, segment=np.repeat([0, 1], [50, len(time) - 50]).astype(np.int32))

    def told(one):
        return [d.doubt for d in open_basis(make_ride(one)).sensors if d.key == "fast"]

    assert told(boots) == []
    assert told(stream) == ["two samples of one time"]


def test_samples_at_a_wrong_time_are_there():
    """Every fifth sample carries the time of the one before: the place after it is not empty."""
    time = np.arange(0, 100, 0.5)
    late = time - 0.5 * (np.arange(len(time)) % 5 == 3)
    early = time + 0.5 * (np.arange(len(time)) % 5 == 3)
    kept = np.arange(len(time)) % 5 != 1
    for times, doubts in (
        (late, ["two samples of one time"]),
        (early, ["two samples of one time"]),
        (late[kept], ["two samples of one time", "samples missing"]),
    ):
        column = {channel("motor_temperature", "°C", 1, -1): 20 + times / 10}
        sensors = open_basis(make_ride(make_stream("slow", times, column, period=0.5))).sensors
        assert [doubt.doubt for doubt in sensors] == doubts
    assert "20 % of its samples are missing" in sensors[-1].evidence


@pytest.mark.parametrize(("whole", "named"), [(True, []), (False, ["frozen"])])
def test_steady_air_in_whole_degrees_is_not_frozen(whole, named):
    """A thermometer of whole degrees, sent in tenths, flickers while the air lies between two of
    them; one of tenths always does."""
    luck = np.random.default_rng(7)
    time = np.arange(0, 600, 1.0)
    air = 18.5 - 0.5 * np.clip((time - 240) / 20, 0, 1) + luck.normal(0, 0.12, len(time))
    told = np.round(air) if whole else np.where(time > 260, 18.0, air)
    column = {channel("ambient_temperature", "°C", exponent=-1): told}
    basis = open_basis(make_ride(make_stream("slow", time, column, period=1.0)))
    assert [doubt.doubt for doubt in basis.sensors] == named
