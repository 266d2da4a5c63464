"""Figures of the ride: exact on made-up rides, honest where a channel is missing."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import scipy

from sagline_analyser.findings.limits.crossings import crossings_frame, find_crossings
from sagline_analyser.findings.readings.speed import vehicle_speed
from sagline_analyser.findings.readings.summary import summarise
from sagline_analyser.findings.readings.unknown import NotKnown
from sagline_analyser.load.ride import LinkGap, Ride, RideSegment
from sagline_analyser.page.tables import summary_tiles
from sagline_logger.format import derive_limits, read_board_file
from support.rides import channel, make_ride, make_stream

BOARD = """
name = "Kestrel"
[vehicle]
wheel_diameter = 0.5
gearing = 4.0
[battery]
cell_stop = 3.0
[[motors]]
name = "left"
pole_pairs = 7
rated_current = 30
[[motors]]
name = "right"
pole_pairs = 7
[[connectors]]
name = "main connector"
rated_current = 60
"""

TIME = np.arange(0, 60, 0.01)
CURRENT = 40 * np.sin(TIME / 5) + 10
VOLTAGE = 48 - 0.05 * CURRENT


def test_charge_and_energy_are_scipys() -> None:
    ride = make_ride(
        make_stream("fast", TIME, {channel("battery_current", "A"): CURRENT}),
        make_stream("slow", TIME[::5], {channel("pack_voltage", "V"): VOLTAGE[::5]}),
    )
    summary = summarise(ride)
    current = ride.streams["fast"].values["battery_current"]
    assert summary["charge_net"].value == pytest.approx(
        scipy.integrate.trapezoid(current, TIME) / 3600, rel=1e-9
    )
    last = len(TIME) - 4  # the slower voltage ends 0.04 s earlier
    volts = np.interp(TIME[:last], TIME[::5], ride.streams["slow"].values["pack_voltage"])
    energy = scipy.integrate.trapezoid(current[:last] * volts, TIME[:last]) / 3600
    assert summary["energy_net"].value == pytest.approx(energy, rel=1e-9)
    back = scipy.integrate.trapezoid(np.minimum(current[:last] * volts, 0), TIME[:last]) / 3600
    assert summary["energy_regenerated"].value == pytest.approx(-back, rel=1e-4)
    drawn, net = summary["energy_drawn"].value, summary["energy_net"].value
    assert drawn - summary["energy_regenerated"].value == pytest.approx(net)


def test_nothing_is_summed_across_a_gap() -> None:
    time = np.r_[np.arange(0, 10, 0.1), np.arange(20, 30, 0.1)]
    current = channel("battery_current", "A")
    ride = make_ride(make_stream("fast", time, {current: np.full(200, 36.0)}, gap=[100]))
    charge = summarise(ride)["charge_net"]
    assert charge.value == pytest.approx(2 * 9.9 * 36 / 3600)
    assert charge.note == "known for 66 % of the ride"  # 19.8 s of 29.9 s, by hand


SUMS = (
    "distance",
    "moving_time",
    "charge_net",
    "charge_drawn",
    "charge_regenerated",
    "energy_net",
    "energy_drawn",
    "energy_regenerated",
    "energy_per_distance",
)


def _ride_known_for(seconds: float, speed_from: float = 0.0, **changes: Any) -> Ride:
    """100 s at 10 m/s; 36 A at 50 V known for the first ``seconds`` s, so 50 Wh/km."""
    time = np.arange(0, 100.05, 0.1)
    fast = time[time <= seconds + 0.05]
    moving = time[time >= speed_from - 0.05]
    return make_ride(
        make_stream(
            "fast",
            fast,
            {
                channel("battery_current", "A"): np.full(len(fast), 36.0),
                channel("pack_voltage", "V"): np.full(len(fast), 50.0),
            },
        ),
        make_stream("slow", moving, {channel("speed", "m/s"): np.full(len(moving), 10.0)}),
        make_stream("all", time, {channel("throttle", "1"): np.zeros(len(time))}),
        **changes,
    )


def test_a_sum_over_the_whole_ride_says_nothing_of_it() -> None:
    summary = summarise(_ride_known_for(100))
    assert {summary[key].note for key in SUMS} == {""}
    assert summary["energy_per_distance"].value == pytest.approx(50)  # 1800 W at 10 m/s


def test_a_sum_says_what_share_of_the_ride_it_knows() -> None:
    summary = summarise(_ride_known_for(73))
    assert summary["distance"].note == ""
    for key in SUMS[2:]:
        assert summary[key].note == "known for 73 % of the ride", key
    # Energy of 73 s over the distance of 73 s, not of 100 s.
    assert summary["energy_per_distance"].value == pytest.approx(50)
    assert summary["charge_net"].value == pytest.approx(36 * 73 / 3600)


def test_a_sum_over_less_than_half_of_the_ride_is_not_told() -> None:
    summary = summarise(_ride_known_for(1.7))
    for key in SUMS[2:]:
        assert summary[key].value is None, key
        assert "known for 1 % of the ride (2 s of 100 s)" in summary[key].how
    assert not summary.bands
    assert summary["distance"].value == pytest.approx(1000)
    # Each is known for 60 s, both together for 20 s.
    apart = summarise(_ride_known_for(60, speed_from=40))
    assert apart["energy_net"].value and apart["distance"].value
    assert apart["energy_per_distance"].value is None


def test_what_is_no_part_of_the_ride_and_what_is() -> None:
    parked = (RideSegment(0, 1, 0.0, 73.0), RideSegment(1, 2, 5000.0, 5027.0))
    assert "73 %" in summarise(_ride_known_for(73, segments=parked))["charge_net"].note
    down = summarise(_ride_known_for(100, link_gaps=(LinkGap(100, 250, "out of reach"),)))
    assert down["charge_net"].value is None  # 100 s of 250 s
    assert "(100 s of 250 s)" in down["charge_net"].how


def test_lost_samples_stand_first() -> None:
    ride = _ride_known_for(100)
    assert [f.key for f in summarise(ride)][:2] == ["duration", "distance"]
    assert "Lost samples" not in summary_tiles(summarise(ride))
    lossy = replace(ride, quality=replace(ride.quality, lost_samples={"fast": 8_500_000}))
    summary = summarise(lossy)
    assert [f.key for f in summary][:3] == ["duration", "lost_samples", "distance"]
    assert sum(f.key == "lost_samples" for f in summary) == 1
    assert "<dt>Lost samples</dt>" in summary_tiles(summary)


def test_bands_share_out_all_the_time() -> None:
    ride = make_ride(make_stream("fast", TIME, {channel("battery_current", "A"): CURRENT}))
    for board in (None, read_board_file(BOARD, "board")):
        bands = summarise(ride, board).bands
        assert sum(band.share for band in bands) == pytest.approx(1)
        regenerating = np.mean(CURRENT < -1)
        assert bands[0].share == pytest.approx(regenerating, abs=0.001)
    assert bands[-1].low == 60  # the board's weakest part


def test_lowest_cell_says_which_when_and_at_what_load() -> None:
    cells = {channel("cell_voltage", "V", k): np.full(len(TIME), 3.7) for k in (1, 2, 3)}
    dip = np.full(len(TIME), 3.7)
    dip[1234] = 3.111
    cells[channel("cell_voltage", "V", 2)] = dip
    ride = make_ride(make_stream("all", TIME, {channel("battery_current", "A"): CURRENT, **cells}))
    low = summarise(ride)["lowest_cell"]
    assert (low.value, low.at) == (3.111, pytest.approx(12.34))
    assert low.note == f"cell 2 at {CURRENT[1234]:.1f} A"
    assert summarise(ride)["widest_spread"].value == pytest.approx(0.589)


def test_a_ride_of_temperatures_only_says_what_the_rest_needs() -> None:
    heat = channel("motor_temperature", "°C", 1, -1)
    summary = summarise(make_ride(make_stream("slow", TIME, {heat: 20 + TIME})))
    assert summary["hottest_part"].value == pytest.approx(TIME[-1] + 20, abs=0.05)
    lacking = {finding.key: finding.how for finding in summary if finding.value is None}
    for key, channel_name in {
        "distance": "speed",
        "charge_net": "battery_current",
        "energy_net": "pack_voltage",
        "lowest_cell": "cell_voltage",
        "energy_per_distance": "battery_current",
    }.items():
        assert channel_name in lacking[key], key


@pytest.mark.parametrize(
    ("name", "divisor"), [("motor_speed", 1.0), ("motor_electrical_speed", 7.0)]
)
def test_speed_from_motor_speed(name: str, divisor: float) -> None:
    # v = π · d · n / (60 · gearing · pole pairs), worked by hand: 0.5 m, 4:1, 1200 r/min mean.
    motors = {
        channel(name, "r/min", 1): np.full(100, 1150.0),
        channel(name, "r/min", 2): np.full(100, 1250.0),
    }
    ride = make_ride(make_stream("fast", np.arange(100) / 10, motors))
    board = read_board_file(BOARD, "board")
    found = vehicle_speed(ride, board)
    assert not isinstance(found, NotKnown)
    assert found.series.value == pytest.approx(np.full(100, 7.853981634 / divisor))
    top = summarise(ride, board)["top_speed"]
    assert "derived from" in top.how and "gearing 4" in top.how
    without = summarise(ride)["distance"]
    assert without.value is None and "board file" in without.how


def test_crossings_name_the_limit_the_cell_and_what_was_going_on() -> None:
    current = np.where((TIME > 10) & (TIME < 12), 70.0, 20.0)
    throttle = np.where(current > 60, 1.0, 0.4)
    low = np.where((TIME > 30) & (TIME < 31), 2.9, 3.6)
    ride = make_ride(
        make_stream(
            "all",
            TIME,
            {
                channel("battery_current", "A"): current,
                channel("throttle", "1"): throttle,
                channel("cell_voltage", "V", 1): np.full(len(TIME), 3.6),
                channel("cell_voltage", "V", 2): low,
            },
        )
    )
    limits = derive_limits(read_board_file(BOARD, "board"))
    connector, cell = find_crossings(ride, limits)
    assert connector.threshold.words == "above 60 A: rating of connector 'main connector'"
    assert connector.span.duration == pytest.approx(2.0, abs=0.02)
    assert connector.ampere_squared_seconds == pytest.approx(70**2 * 2, rel=0.01)
    assert connector.doing == "driving, throttle 100\N{NO-BREAK SPACE}%"
    assert (cell.where, cell.span.peak, cell.ampere_squared_seconds) == (
        "cell_voltage_2",
        2.9,
        None,
    )
    table = crossings_frame([connector, cell])
    assert table["channel"].tolist() == ["battery_current", "cell_voltage_2"]
