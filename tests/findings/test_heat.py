"""Heat models: closed forms, SciPy's integrator, synthetic rides, and the simulated board."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sagline_analyser.findings import thermal
from sagline_analyser.findings.heat import heat_answer, part_heats
from sagline_analyser.findings.thermal import COPPER, Drive, Rates, ThermalFit
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
    names = ("square", "linear", "air", "stream", "rolling", "idle", "inner", "ratio", "offset")
    return Rates(**{name: np.array([values.get(name, 0.0)]) for name in names})


def model(order: int, copper: bool, one: Rates) -> ThermalFit:
    now = (np.array([50.0]), np.array([40.0]))
    return ThermalFit(order, copper, one, one, now, now, 0.0, 10.0)


def test_copper_is_the_handbook_value() -> None:
    """0.00393 per kelvin at 20 °C: IEC 60028, annealed copper."""
    assert COPPER == 0.00393


def test_first_order_step_response_is_the_closed_form() -> None:
    """T(t) = T_air + (P/G)·(1 − exp(−t·G/C)); time to a limit −τ·ln(1 − ΔT/ΔT∞) (any text)."""
    one = rates(square=5e-4, air=1 / 400)
    steady = Drive(
        2.0, np.full(300, 900.0), np.full(300, 30.0), np.zeros(300), np.full(300, AIR),
        np.ones(300, bool),
    )  # fmt: skip
    cold = np.array([AIR])
    path, _, _ = thermal.warm(one, 1, False, steady, (cold, cold))
    time = np.arange(301) * 2.0
    final = 5e-4 * 900 * 400
    assert path[:, 0] == pytest.approx(AIR + final * (1 - np.exp(-time / 400)), abs=1e-9)
    found = thermal.time_to_limit(model(1, False, one), 30, 90, AIR, 0, cold=True)
    assert found.seconds == pytest.approx(-400 * np.log(1 - (90 - AIR) / final), rel=1e-3)
    from_now = thermal.time_to_limit(model(1, False, one), 30, 90, AIR, 0, cold=False)
    share = (AIR + final - 90) / (AIR + final - 50)
    assert from_now.seconds == pytest.approx(-400 * np.log(share), rel=1e-3)


def test_rising_resistance_shortens_the_time_as_its_closed_form_says() -> None:
    """With r(T) the equation stays linear: rate g − α·a·i², see any heat transfer text."""
    one = rates(square=3e-4, air=1 / 500)
    heat = 3e-4 * 30**2
    rate = 1 / 500 - COPPER * heat
    final = (heat * (1 - 20 * COPPER) + AIR / 500) / rate
    wanted = -np.log((90 - final) / (AIR - final)) / rate
    found = thermal.time_to_limit(model(1, True, one), 30, 90, AIR, 0, cold=True)
    assert found.seconds == pytest.approx(wanted, rel=5e-3)
    plain = thermal.time_to_limit(model(1, False, one), 30, 90, AIR, 0, cold=True)
    assert found.seconds < plain.seconds


def test_two_lumps_agree_with_scipy() -> None:
    """The same equations through SciPy's Runge-Kutta integrator."""
    one = rates(square=8e-4, air=1 / 800, stream=0.1, rolling=2e-3, inner=1 / 150, ratio=0.3)
    current, speed = 25.0, 5.0

    def slope(_: float, state: np.ndarray) -> list[float]:
        part, case = state
        passed = (part - case) / 150
        heat = 8e-4 * current**2 * (1 + COPPER * (part - 20))
        lost = (1 + 0.1 * speed) / 800 * (case - AIR)
        return [heat - passed, 0.3 * passed + 2e-3 * speed - lost]

    ones = np.ones(600)
    drive = Drive(
        1.0, current**2 * ones, current * ones, speed * ones, AIR * ones, np.ones(600, bool)
    )
    cold = np.array([AIR])
    path, _, _ = thermal.warm(one, 2, True, drive, (cold, cold))
    wanted = solve_ivp(slope, (0, 600), [AIR, AIR], t_eval=np.arange(601.0), rtol=1e-9)
    assert path[:, 0] == pytest.approx(wanted.y[0], abs=0.3)


def synthetic(seconds: float, loud: float = 25.0, gap: tuple[int, ...] = ()):
    """A ride of a controller that is truly one lump: g = 1/200 s, 2e-4 K/s/A²; whole degrees."""
    time = np.arange(0, seconds, 0.5)
    chance = np.random.default_rng(2)
    current = loud * np.choose((time // 40 % 3).astype(int), [1.5, 0.0, 0.7])
    warmth, temperature = np.empty(len(time)), AIR
    for at, i in enumerate(current):
        warmth[at] = temperature
        final = AIR + 2e-4 * i * i * 200
        temperature = final + (temperature - final) * np.exp(-0.5 / 200)
    readings = np.round(warmth + chance.normal(0, 0.3, len(time)))
    return make_ride(
        make_stream(
            "slow", time,
            {
                channel("motor_current", "A", 1): current,
                channel("controller_temperature", "°C", 1, exponent=0): readings,
                channel("ambient_temperature", "°C", exponent=-1): np.full(len(time), AIR),
                channel("speed", "m/s"): np.full(len(time), 4.0),
            },
            gap,
        )
    )  # fmt: skip


def test_a_known_lump_is_found_again_through_a_coarse_sensor() -> None:
    (part,) = part_heats(synthetic(400), BOARD, current=40)
    assert part.cold is not None and part.now is not None and not part.reason
    wanted = -200 * np.log(1 - (60 - AIR) / (2e-4 * 40**2 * 200))
    assert part.cold.seconds == pytest.approx(wanted, rel=0.15)
    assert part.cold.low <= wanted <= part.cold.high
    assert part.now.seconds < part.cold.seconds


def test_a_limit_that_the_current_never_reaches() -> None:
    (part,) = part_heats(synthetic(900), BOARD, current=15)
    assert part.cold is not None and np.isinf(part.cold.seconds)
    assert part.settles == pytest.approx(AIR + 2e-4 * 225 * 200, abs=3)
    answer = heat_answer(synthetic(900, 25), BOARD)
    assert "30 A" in " ".join(answer.details)


def test_too_short_and_too_gentle_are_said() -> None:
    (short,) = part_heats(synthetic(40), BOARD)
    assert "too short to tell" in short.reason and short.cold is None
    (gentle,) = part_heats(synthetic(300, 5.0), BOARD)
    assert "gentle" in gentle.reason
    answer = heat_answer(synthetic(40), BOARD)
    assert not answer.known and "too short" in answer.verdict
    assert not heat_answer(make_ride(), BOARD).known
    (unrated,) = part_heats(synthetic(400), None)
    assert "temperature_limit" in unrated.reason and unrated.model is not None


def test_a_long_gap_starts_anew_at_the_measured_temperature() -> None:
    """Ten minutes without samples: cold again afterwards, and still the same lump."""
    whole = synthetic(400).streams["slow"]
    time = np.concatenate([whole.time, whole.time + 1000])
    columns = {c: np.concatenate([whole.values[k]] * 2) for k, c in whole.channels.items()}
    ride = make_ride(make_stream("slow", time, columns, [len(whole.time)]))
    (part,) = part_heats(ride, BOARD, current=40)
    wanted = -200 * np.log(1 - (60 - AIR) / (2e-4 * 40**2 * 200))
    assert part.cold is not None and part.cold.seconds == pytest.approx(wanted, rel=0.15)
    assert part.model is not None and part.model.residual < 1.0


@pytest.mark.parametrize(("seed", "knowledge"), [(15, "settings"), (7, "in force")])
def test_simulated_times_to_the_limit(seed: int, knowledge: str) -> None:
    """200 such rides are in tests/benchmarks; the motors' sizes differ from ride to ride."""
    told = [one for one in score_heat(small_ride(seed, knowledge)) if one.told]
    motors = [one for one in told if one.part == "motor"]
    assert motors
    for one in motors:
        assert abs(one.error) <= 0.15, one
