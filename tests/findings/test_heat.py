"""Heat models: closed forms, SciPy's integrator, synthetic rides, and the simulated board."""

import re
from dataclasses import replace

import numpy as np
import pytest
import scipy

from sagline_analyser.findings.heat import heat_answer, part_heats
from sagline_analyser.findings.heat.drive import HeatDrive
from sagline_analyser.findings.heat.fit import _late
from sagline_analyser.findings.heat.lumps import Rates, steady_path, warm
from sagline_analyser.findings.heat.times import TimeToLimit, time_to_limit
from sagline_analyser.findings.readings.copper import COPPER
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_logger.format import read_board_file
from support.findings_scores import score_heat
from support.rides import channel, make_ride, make_stream
from support.simulated_rides import small_ride

BOARD = read_board_file(
    """
name = "Kestrel"
[[motors]]
rated_current = 30
temperature_limit = 90
[[controllers]]
temperature_limit = 60
""",
    "board.toml",
)
AIR = 18.0


def rates(**values: float) -> Rates:
    given = {"rise": COPPER, **values}
    return Rates(**{name: np.array([given.get(name, 0.0)]) for name in Rates.__dataclass_fields__})


def constant(current: float, speed: float, step: float, count: int) -> HeatDrive:
    ones = np.ones(count)
    return HeatDrive(
        step, current**2 * ones, current * ones, speed * ones, AIR * ones, np.ones(count, bool)
    )


def test_copper_is_the_handbook_value() -> None:
    """0.00393 per kelvin at 20 °C: IEC 60028, annealed copper."""
    assert COPPER == 0.00393


MOTOR = rates(square=8e-4, air=1 / 800, stream=0.1, rolling=6e-4, inner=1 / 150, ratio=0.3)


def by_scipy(current: float, speed: float, seconds: np.ndarray) -> np.ndarray:
    """The same equations through SciPy's Runge-Kutta integrator: part and case."""

    def slope(_: float, state: np.ndarray) -> list[float]:
        part, case = state
        passed = (part - case) / 150
        heat = 8e-4 * current**2 * (1 + COPPER * (part - 20))
        lost = (1 + 0.1 * speed**0.7) / 800 * (case - AIR)
        return [heat - passed, 0.3 * passed + 6e-4 * speed**1.5 - lost]

    return scipy.integrate.solve_ivp(
        slope, (0, seconds[-1]), [AIR, AIR], t_eval=seconds, rtol=1e-9
    ).y


@pytest.mark.parametrize("step", [1.0, 6.0])
def test_two_lumps_agree_with_scipy(step: float) -> None:
    count = int(1200 / step)
    cold = np.array([AIR])
    for place in (0, 1):
        path, _, _ = warm(MOTOR, constant(25, 5, step, count), (cold, cold), place)
        wanted = by_scipy(25, 5, np.arange(count + 1) * step)[place]
        assert path[:, 0] == pytest.approx(wanted, abs=0.1 * step)


def test_the_closed_form_of_a_constant_current_agrees_with_scipy() -> None:
    times = np.array([0.0, 1.0, 30.0, 600.0, 3600.0])
    cold = np.array([AIR])
    part, case = steady_path(MOTOR, 25, cold, 5, (cold, cold), times)
    wanted = by_scipy(25, 5, times)
    assert part[:, 0] == pytest.approx(wanted[0], rel=1e-5)
    assert case[:, 0] == pytest.approx(wanted[1], rel=1e-5)


def test_one_lump_is_the_closed_form() -> None:
    """T(t) = T_air + (P/G)·(1 − exp(−t·G/C)) (any text), the case weighing next to nothing."""
    one = rates(square=5e-4, air=1e4 / 400, inner=50.0, ratio=1e4, rise=0.0)
    cold = np.array([AIR])
    times = np.arange(301) * 2.0
    part, _ = steady_path(one, 30, cold, 0, (cold, cold), times)
    final = 5e-4 * 900 * 400
    assert part[:, 0] == pytest.approx(AIR + final * (1 - np.exp(-times / 400)), abs=0.5)


def test_a_sensor_lags_as_a_first_order_does_whatever_it_is_reckoned_beside() -> None:
    """A ramp behind a lag of τ is told as b·(t − τ·(1 − exp(−t/τ))) (any text on control)."""
    lags, times = np.array([1.5, 4.0, 60.0]), np.arange(400.0)
    ramp = np.repeat(0.1 * times[:, None], len(lags), axis=1)
    rows = np.arange(0, 400, 7)
    told = _late(ramp, lags, rows)
    at = times[rows, None]
    assert told == pytest.approx(0.1 * (at - lags * -np.expm1(-at / lags)), abs=0.01)
    for column, lag in enumerate(lags):
        alone = _late(ramp[:, :1], np.array([lag]), rows)
        assert np.array_equal(alone[:, 0], told[:, column])


def test_a_ride_that_began_warm_may_take_longer_from_cold_but_is_not_told_to() -> None:
    (part,) = part_heats(Gathered(synthetic(400), BOARD), current=40)
    model = part.model
    assert model is not None
    span = model.hottest - model.lowest

    def cold(lowest: float) -> TimeToLimit:
        """Return the time where as much was seen, but from ``lowest`` °C on."""
        began = replace(model, lowest=lowest, hottest=lowest + span)
        return time_to_limit(began, 40, 60, AIR, 4.0, cold=True)

    began_cold, began_warm = cold(AIR), cold(AIR + 60)
    assert began_warm.seconds == began_cold.seconds == began_warm.low
    assert began_warm.high > 1.05 * began_cold.high
    assert began_warm.likely > began_cold.likely


def final_rise(current: float) -> float:
    """K above the air that the synthetic stage settles at: conduction, switching and standby."""
    return 200 * (1.2e-4 * current**2 + 3e-3 * current + 5e-3)


def time_to(limit: float, current: float) -> float:
    """−τ·ln(1 − ΔT/ΔT∞) (any text)."""
    return -200 * np.log(1 - (limit - AIR) / final_rise(current))


def synthetic(
    seconds: float, loud: float = 25.0, gap: tuple[int, ...] = (), part: str = "controller"
):
    """A ride of a controller that is truly one lump: 200 s; whole degrees."""
    time = np.arange(0, seconds, 0.5)
    chance = np.random.default_rng(2)
    current = loud * np.choose((time // 40 % 3).astype(int), [1.5, 0.0, 0.7])
    warmth, temperature = np.empty(len(time)), AIR
    for at, i in enumerate(current):
        warmth[at] = temperature
        final = AIR + final_rise(i)
        temperature = final + (temperature - final) * np.exp(-0.5 / 200)
    readings = np.round(warmth + chance.normal(0, 0.3, len(time)))
    return make_ride(
        make_stream(
            "slow",
            time,
            {
                channel("motor_current", "A", 1): current,
                channel(f"{part}_temperature", "°C", 1, exponent=0): readings,
                channel("ambient_temperature", "°C", exponent=-1): np.full(len(time), AIR),
                channel("speed", "m/s"): np.full(len(time), 4.0),
            },
            gap,
        )
    )


def test_a_known_lump_is_found_again_through_a_coarse_sensor() -> None:
    (part,) = part_heats(Gathered(synthetic(400), BOARD), current=40)
    assert part.cold is not None and part.now is not None and not part.reason
    wanted = time_to(60, 40)
    assert part.cold.likely == pytest.approx(wanted, rel=0.15)
    assert part.cold.seconds == part.cold.low
    assert part.cold.low <= wanted <= part.cold.high
    assert part.now.seconds < part.cold.seconds
    assert part.now.likely < part.cold.likely and part.now.high < part.cold.high


def test_a_limit_that_the_current_never_reaches() -> None:
    (part,) = part_heats(Gathered(synthetic(900), BOARD), current=15)
    assert part.cold is not None and np.isinf(part.cold.seconds)
    assert part.settles is not None
    assert part.settles.likely == pytest.approx(AIR + final_rise(15), abs=4)
    assert part.settles.low <= AIR + final_rise(15) <= part.settles.high
    assert part.settles.high < 60
    answer = heat_answer(Gathered(synthetic(900, 25), BOARD))
    assert "30 A" in " ".join(answer.details)


def test_too_short_and_too_gentle_are_said() -> None:
    (short,) = part_heats(Gathered(synthetic(40), BOARD))
    assert "too short to tell" in short.reason and short.cold is None
    (gentle,) = part_heats(Gathered(synthetic(300, 5.0), BOARD))
    assert "gentle" in gentle.reason
    answer = heat_answer(Gathered(synthetic(40), BOARD))
    assert not answer.known and "too short" in answer.verdict
    assert not heat_answer(Gathered(make_ride(), BOARD)).known
    (unrated,) = part_heats(Gathered(synthetic(400)))
    assert "temperature_limit" in unrated.reason and unrated.model is not None


def test_a_long_gap_starts_anew_at_the_measured_temperature() -> None:
    """Ten minutes without samples: cold again afterwards, and still the same lump."""
    whole = synthetic(400).streams["slow"]
    time = np.concatenate([whole.time, whole.time + 1000])
    columns = {c: np.concatenate([whole.values[k]] * 2) for k, c in whole.channels.items()}
    ride = make_ride(make_stream("slow", time, columns, [len(whole.time)]))
    (part,) = part_heats(Gathered(ride, BOARD), current=40)
    wanted = time_to(60, 40)
    assert part.cold is not None and part.cold.likely == pytest.approx(wanted, rel=0.15)
    assert part.model is not None and part.model.residual < 1.0


@pytest.mark.parametrize(("seed", "knowledge"), [(15, "settings"), (7, "in force")])
def test_simulated_times_to_the_limit(seed: int, knowledge: str) -> None:
    """200 such rides are in tests/benchmarks; the motors' sizes differ from ride to ride."""
    told = [one for one in score_heat(small_ride(seed, knowledge)) if one.told]
    motors = [one for one in told if one.part == "motor"]
    assert motors
    for one in motors:
        # Of some seconds, what a sensor may be late is the greater part.
        assert abs(one.error) <= 0.15 or abs(one.found.likely - one.true) <= 5, one


def test_without_a_speed_channel_no_speed_is_told() -> None:
    found = small_ride(5, "settings")
    ride, board = found.ride, found.board_file
    streams = {
        name: replace(
            stream,
            values={
                key: values if "speed" not in key else np.full_like(values, np.nan)
                for key, values in stream.values.items()
            },
        )
        for name, stream in ride.streams.items()
    }
    answer = heat_answer(Gathered(replace(ride, streams=streams), board))
    text = " ".join((answer.verdict, *answer.details, *(f.how for f in answer.figures)))
    assert "km/h" not in text


def test_a_sensor_on_the_case_says_what_it_will_show_and_that_the_winding_is_hotter() -> None:
    board = read_board_file(
        'name = "K"\n[[motors]]\nrated_current = 25\ntemperature_limit = 110\n'
        'temperature_sensor = "case"\n',
        "board.toml",
    )
    ride = synthetic(900, part="motor")
    (part,) = part_heats(Gathered(ride, board))
    shown = part.on_case
    assert shown is not None and part.settles is not None
    assert shown.case.low <= AIR + final_rise(25) <= shown.case.high
    assert shown.hotter > 0 and part.settles.likely > shown.case.likely + shown.hotter
    answer = heat_answer(Gathered(ride, board))
    assert "its sensor would show" in " ".join(answer.details)


def test_no_temperature_is_told_that_no_winding_has() -> None:
    """The simulated motor's resistance runs away with its warmth at that current."""
    found = small_ride(15, "settings")
    text = " ".join(heat_answer(Gathered(found.ride, found.board_file)).details)
    assert "more than 300 °C in an hour" in text
    assert max(float(x) for x in re.findall(r"([0-9.]+) °C", text)) <= 300


def test_what_starts_warm_is_never_said_to_last_longer_than_from_cold() -> None:
    for current in (20.0, 24.0, 28.0, 32.0):
        (part,) = part_heats(Gathered(synthetic(900), BOARD), current=current)
        assert part.cold is not None and part.now is not None
        assert part.now.low <= part.cold.low and part.now.high <= part.cold.high
        assert part.cold.below or not part.now.below
