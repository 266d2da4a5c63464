"""Left against right: synthetic rides with known differences, and the simulated Kestrel's own."""

import numpy as np
import pytest
import scipy

from sagline_analyser.findings.drive.sides import sides, sides_answer
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_logger.simulator import KESTREL
from support.rides import channel, make_ride, make_stream
from support.simulated_rides import simulated_ride


def two_motors(
    share: float = 0.5,
    faster: float = 0.0,
    warmer: float = 0.0,
    slip: tuple[float, float] = (0, 0),
    gap: tuple[int, ...] = (),
    seed: int = 1,
):
    """Motors that carry ``share`` and 1 - ``share`` of 40 A; the first turns ``faster``."""
    chance = np.random.default_rng(seed)
    time = np.arange(0, 120, 0.05)
    total = 40 * np.clip(np.sin(time / 7), 0, 1)
    speed = 300 + 200 * np.sin(time / 20)
    skid = np.where((time > slip[0]) & (time < slip[1]), 1.3, 1.0)
    warm = 20 + time / 3

    def noisy(values: np.ndarray, size: float) -> np.ndarray:
        return values + chance.normal(0, size, len(time))

    columns = {
        channel("motor_current", "A", 1, label="left"): noisy(share * total, 0.2),
        channel("motor_current", "A", 2, label="right"): noisy((1 - share) * total, 0.2),
        channel("motor_speed", "r/min", 1): noisy(speed * (1 + faster / 2) * skid, 1.5),
        channel("motor_speed", "r/min", 2): noisy(speed * (1 - faster / 2), 1.5),
        channel("motor_temperature", "°C", 1, exponent=0): noisy(warm + warmer, 0.3),
        channel("motor_temperature", "°C", 2, exponent=0): noisy(warm, 0.3),
    }
    return make_ride(make_stream("fast", time, columns, gap))


def found(ride):
    return {one.key: one for one in sides(ride).compared}


def test_even_sides_are_not_worth_a_look() -> None:
    by_key = found(two_motors())
    for key, wanted in (("current_share", 0.5), ("speed", 0.0), ("motor_temperature", 0.0)):
        one = by_key[key]
        assert abs(one.value - wanted) <= max(2 * one.uncertainty, 0.002)
        assert not one.worth and not one.meaning
    assert by_key["controller_temperature"].why.reason
    answer = sides_answer(Gathered(two_motors()))
    assert answer.known and "work alike" in answer.verdict and "Left" in answer.verdict


def test_known_differences_are_measured_and_explained() -> None:
    by_key = found(two_motors(share=0.6, faster=0.04, warmer=15))
    assert by_key["current_share"].value == pytest.approx(0.6, abs=0.01)
    assert by_key["speed"].value == pytest.approx(0.04, abs=0.004)
    assert by_key["motor_temperature"].value == pytest.approx(15, abs=1)
    assert all(by_key[key].worth for key in ("current_share", "speed", "motor_temperature"))
    assert "tyre" in by_key["speed"].meaning
    # 60 % against 40 % is 2.25 times the squared current, which explains the warmth.
    assert "2.2" in by_key["motor_temperature"].meaning
    assert "explains" in by_key["motor_temperature"].meaning
    cooling = found(two_motors(warmer=-15))["motor_temperature"]
    assert cooling.meaning.startswith("right ran warmer") and "cooling air" in cooling.meaning


def test_a_slip_is_an_event_and_no_lasting_difference() -> None:
    ride = two_motors(slip=(70.0, 71.5))
    ((start, end, motor),) = sides(ride).slips
    assert (start, end, motor) == (pytest.approx(70, abs=0.2), pytest.approx(71.5, abs=0.2), 1)
    assert not found(ride)["speed"].worth
    answer = sides_answer(Gathered(ride))
    assert "ran ahead of the other once: slip, or a tight bend" in answer.verdict
    assert any("lost grip" in detail for detail in answer.details)


def test_a_slip_does_not_reach_across_a_gap() -> None:
    inside = int(70.1 / 0.05)
    gaps = tuple(range(inside, inside + 28, 2))  # every second sample after a gap
    assert not sides(two_motors(slip=(70.0, 71.5), gap=gaps)).slips


def test_interval_holds_the_truth_about_as_often_as_it_says() -> None:
    """A 90 % interval over 40 noisy rides; exact binomial bounds leave 31 to 40."""
    inside = 0
    for seed in range(40):
        one = found(two_motors(share=0.52, seed=seed))["current_share"]
        inside += abs(one.value - 0.52) <= one.uncertainty
    assert inside >= 31


def test_few_readings_have_the_wide_interval_of_students_t() -> None:
    """The quantile is SciPy's; a normal one of four readings would be a third too narrow."""
    time = np.arange(0, 120, 7.0)
    peak = 60 - np.abs(time - 56)
    apart = np.random.default_rng(4).normal(0, 6, len(time))
    slow = {
        channel("motor_temperature", "°C", 1, exponent=-2): peak + apart,
        channel("motor_temperature", "°C", 2, exponent=-2): peak,
    }
    fast = {
        channel("motor_current", "A", n): np.full(2400, 20.0 + np.arange(2400) % 2) for n in (1, 2)
    }
    made = make_ride(
        make_stream("fast", np.arange(2400) / 20, fast), make_stream("slow", time, slow)
    )
    one = found(made)["motor_temperature"]
    hottest = time[np.argmax(np.maximum(peak + apart, peak))]
    near = apart[np.abs(time - hottest) <= 15]
    error = near.std(ddof=1) / np.sqrt(len(near))
    wanted = np.hypot(scipy.stats.t.ppf(0.95, len(near) - 1) * error, 0.6)
    assert len(near) <= 5
    assert one.uncertainty == pytest.approx(wanted, abs=0.02)


def test_reasons() -> None:
    time = np.arange(0, 10, 0.1)
    single = make_ride(make_stream("fast", time, {channel("motor_current", "A", 1): time}))
    assert "two motors" in sides(single).reason
    assert not sides_answer(Gathered(single)).known


def test_simulated_kestrel_has_the_differences_it_was_built_with() -> None:
    """Wheels of 0.508 and 0.505 m on one vehicle: the smaller turns 0.6 % faster."""
    simulated = simulated_ride(1, board=KESTREL)
    speed = found(simulated.ride)["speed"]
    wheels = [drive.wheel.diameter for drive in KESTREL.drives]
    wanted = 2 * (wheels[1] - wheels[0]) / sum(wheels)
    assert speed.value is not None and speed.uncertainty is not None
    assert speed.value == pytest.approx(wanted, abs=1e-3)
    assert not speed.worth
