"""What held it back: a machine computed by textbook here, and the simulated board's own truth."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from sagline_analyser.findings.drive.held_back import CAUSES, Cause, held_back, held_back_answer
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_logger.format import Channel, SampleType, read_board_file
from support.findings_scores import score_attribution
from support.rides import channel, make_ride, make_stream
from support.simulated_rides import SimulatedRide, small_ride
from support.textbook_launch import textbook_launch

SMALL = [
    (5, "nothing"),
    (7, "in force"),
    (15, "settings"),
    (20, "nothing"),
    (21, "settings"),
    (8, "nothing"),
]
"""Seeds of short rides; among them heat derates in two and low voltage in one."""
SETTINGS = {"motor_current_limit": "40", "battery_current_limit": "18", "duty_limit": "0.94"}


def wanted_shares(truth: np.ndarray, hard: np.ndarray) -> dict[Cause, float]:
    return {cause: n / hard.sum() for cause, n in Counter(truth[hard].tolist()).items()}


@pytest.mark.parametrize("settings", [SETTINGS, {}], ids=["settings known", "limits seen held"])
def test_shares_of_a_textbook_launch(settings: dict[str, str]) -> None:
    time, columns, truth = textbook_launch()
    found = held_back(Gathered(make_ride(make_stream("fast", time, columns), settings=settings)))
    wanted = wanted_shares(truth, found.motors[0].hard)
    assert set(wanted) == {Cause.MOTOR_CURRENT, Cause.BATTERY_CURRENT, Cause.DUTY}
    for share in found.shares:
        assert share.share == pytest.approx(wanted.get(share.cause, 0.0), abs=0.02), share
    assert sum(s.share for s in found.shares) == pytest.approx(1)
    assert found.hard_seconds == pytest.approx(24, abs=0.1)
    for level, value in zip(found.motors[0].levels, (40, 18, 0.94), strict=True):
        assert level.value == pytest.approx(value, rel=0.02)
        assert level.source == ("setting" if settings else "seen held")
    launch = found.pulls[0]
    assert (launch.pull.kind, launch.pull.start) == ("launch", pytest.approx(2.02))
    assert launch.motor_setting_matters and "motor-current limit decided" in launch.because


def two_motors(*left_out: str, warmth: float = 20.0):
    """Two equal machines on one pack, whose battery current is logged as their sum, with a winding
    that warms by 6 K; without the channels ``left_out``."""
    time, columns, truth = textbook_launch()
    found = {}
    for at, own in columns.items():
        if at.name in ("motor_current", "duty_cycle"):
            for number in (1, 2):
                found[channel(at.name, at.unit, number, exponent=at.exponent)] = own
        else:
            found[at] = 2 * own if at.name == "battery_current" else own
    for number in (1, 2):
        found[channel("motor_temperature", "°C", number)] = warmth + time / 5
    found = {at: own for at, own in found.items() if at.name not in left_out}
    return make_ride(make_stream("fast", time, found), settings=SETTINGS), truth


@pytest.mark.parametrize("warmth", [20.0, 90.0])
def test_a_sum_of_battery_currents_shows_where_all_controllers_are_at_their_limit(warmth) -> None:
    ride, truth = two_motors("duty_cycle", warmth=warmth)
    found = held_back(Gathered(ride))
    wanted = wanted_shares(truth, found.motors[0].hard)
    told = {one.cause: one.share for one in found.shares}
    assert told[Cause.MOTOR_CURRENT] == pytest.approx(wanted[Cause.MOTOR_CURRENT], abs=0.02)
    assert told[Cause.BATTERY_CURRENT] == pytest.approx(wanted[Cause.BATTERY_CURRENT], abs=0.02)
    # What no duty cycle shows is not put down to warmth or to the pack, which go along with it.
    assert told[Cause.UNKNOWN] == pytest.approx(wanted[Cause.DUTY], abs=0.02)


def test_what_is_cold_cuts_nothing_back() -> None:
    """A current that falls with a temperature, from 75 °C or from 15 °C on."""
    shares = []
    for warmth in (75.0, 15.0):
        time = np.arange(0.0, 60.0, 0.02)
        warm = warmth + 20.0 * time / 60.0
        columns = {
            channel("throttle", "1"): np.where(time > 2.0, 1.0, 0.0),
            channel("motor_current", "A", 1): np.where(time > 2.0, 40.0 - 1.2 * (warm - warmth), 0),
            channel("pack_voltage", "V"): np.full(len(time), 48.0),
            channel("speed", "m/s"): np.where(time > 2.0, 5.0 + np.sin(time), 0.0),
            channel("motor_temperature", "°C", 1): warm,
        }
        ride = make_ride(make_stream("fast", time, columns), settings={"motor_current_limit": "40"})
        told = {one.cause: one.share for one in held_back(Gathered(ride)).shares}
        shares.append(told.get(Cause.HEAT, 0.0))
    assert shares[0] > 0.8 and shares[1] == 0.0


def test_half_throttle_is_the_riders_own_choice() -> None:
    time, columns, _ = textbook_launch(0.4)
    found = held_back(Gathered(make_ride(make_stream("fast", time, columns), settings=SETTINGS)))
    launch = found.pulls[0]
    assert launch.shares[0].cause is Cause.RIDER
    assert not launch.motor_setting_matters and "rider's own input" in launch.because


def test_heat_and_low_voltage_are_told_apart_without_knowing_either_rule() -> None:
    """First the current falls with temperature at steady voltage, then with sagging voltage."""
    chance = np.random.default_rng(1)
    time = np.arange(0, 120, 0.05)
    hot = 60 + 30 * np.clip((time - 10) / 40, 0, 1) - 40 * np.clip((time - 60) / 5, 0, 1)
    volts = 50 - 10 * np.clip((time - 70) / 50, 0, 1)
    by_heat = 40 * np.clip((100 - hot) / 20, 0, 1)
    by_volts = 18 * np.clip((volts - 38) / 8, 0, 1) * 2.5
    current = np.minimum(np.minimum(by_heat, by_volts), 40) + chance.normal(0, 0.2, len(time))
    columns = {
        channel("throttle", "1"): np.ones(len(time)),
        channel("motor_current", "A", 1): current,
        channel("duty_cycle", "1", 1): np.full(len(time), 0.4),
        channel("battery_current", "A"): 0.4 * current,
        channel("pack_voltage", "V"): volts,
        channel("motor_temperature", "°C", 1, exponent=0): hot + chance.normal(0, 0.3, len(time)),
        channel("speed", "m/s"): np.full(len(time), 3.0),
    }
    motor = held_back(Gathered(make_ride(make_stream("fast", time, columns)))).motors[0]
    causes = np.array(CAUSES)[motor.cause]
    derated = (hot > 81) & (time < 60)
    sagging = (by_volts < 38.5) & (time > 70)
    assert np.mean(causes[derated] == Cause.HEAT) > 0.97
    assert np.mean(causes[sagging] == Cause.LOW_VOLTAGE) > 0.97


def test_a_setting_that_the_ride_disproves_is_not_believed() -> None:
    time, columns, _ = textbook_launch()
    ride = make_ride(make_stream("fast", time, columns), settings={"motor_current_limit": "20"})
    level = held_back(Gathered(ride)).motors[0].levels[0]
    assert level.source == "seen held" and level.value == pytest.approx(40, rel=0.02)


def test_limits_in_force_come_before_everything_else() -> None:
    time, columns, _ = textbook_launch()
    force = Channel("motor_current_limit", "A", SampleType.F32, index=1)
    columns[force] = np.where(time < 4, 40.0, 30.0)
    found = held_back(Gathered(make_ride(make_stream("fast", time, columns), settings=SETTINGS)))
    assert found.motors[0].levels[0].source == "in force"


def test_reasons_where_nothing_can_be_said() -> None:
    time = np.arange(0, 5, 0.1)
    bare = make_ride(make_stream("fast", time, {channel("throttle", "1"): np.ones(50)}))
    lacks = held_back(Gathered(bare)).unknown
    assert lacks is not None and "motor_current" in lacks.reason
    assert not held_back_answer(Gathered(bare)).known
    gentle = {
        channel("throttle", "1"): np.full(50, 0.05),
        channel("motor_current", "A", 1): np.full(50, 2.0),
    }
    answer = held_back_answer(Gathered(make_ride(make_stream("fast", time, gentle))))
    assert not answer.known and "never asked for a lot" in answer.verdict


def test_the_answer_is_in_the_trades_words_with_its_caution() -> None:
    time, columns, _ = textbook_launch()
    board = read_board_file('name = "Kestrel"\n[settings]\nmotor_current_limit = 40', "b")
    answer = held_back_answer(Gathered(make_ride(make_stream("fast", time, columns)), board))
    assert "battery-current limit" in answer.verdict and answer.evidence
    assert any("Raising the motor-current setting could have mattered" in d for d in answer.details)
    assert "hold the new figure against the rating" in answer.details[-1]
    shares = [f.value for f in answer.figures if f.label.startswith("Held back by")]
    assert sum(shares) == pytest.approx(100)


@pytest.mark.parametrize(("seed", "knowledge"), SMALL)
def test_simulated_rides_are_attributed_right(seed: int, knowledge: str) -> None:
    """The simulator tells which limit decided; 200 such rides are in tests/benchmarks."""
    score = score_attribution(small_ride(seed, knowledge))
    assert score.whole > 20
    assert score.right >= 0.95 * score.whole, score.seconds.most_common()


def coarse(simulated: SimulatedRide) -> SimulatedRide:
    """Keep every fifth fast sample, in whole amperes and per cent, as a poorer board would send."""
    fast = simulated.ride.streams["fast"]
    values = {key: column[::5] for key, column in fast.values.items()}
    for key in values:
        if "current" in key:
            values[key] = np.round(values[key])
        elif key.startswith(("duty", "throttle")):
            values[key] = np.round(values[key], 2)
    poorer = replace(fast, time=fast.time[::5], values=values, gap=fast.gap[::5])
    ride = replace(simulated.ride, streams={**simulated.ride.streams, "fast": poorer})
    return replace(simulated, ride=ride)


def test_a_slow_and_coarse_board_is_still_attributed_right() -> None:
    scores = [score_attribution(coarse(small_ride(*one))) for one in SMALL]
    assert sum(s.right for s in scores) >= 0.95 * sum(s.whole for s in scores)
