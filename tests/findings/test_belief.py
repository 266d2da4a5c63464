"""What is believed of cells: curves against their sources, and closed forms."""

import numpy as np
import pytest
import scipy

from sagline_analyser.findings.belief.charge import _normal
from sagline_analyser.findings.belief.circuit import CircuitFit, fit_circuits
from sagline_analyser.findings.belief.curves import CHARGES, CURVES, kinds_of
from sagline_analyser.findings.belief.estimate import of_draws
from sagline_analyser.findings.belief.missing import missing_voltage
from sagline_analyser.findings.belief.rests import find_rests
from sagline_analyser.findings.belief.unequal import compare_cells
from sagline_analyser.findings.readings.series import Series
from sagline_analyser.findings.telling.certainty import certainty, within
from support.late import late
from support.pulse_cell import data_set

ampworks, pybamm = late("ampworks"), late("pybamm")

KNOWN = {curve.name: np.array(curve.voltages) for curve in CURVES}


@pytest.mark.parametrize("name", ["Chen2020", "Mohtat2020", "Ecker2015"])
def test_the_curves_are_those_of_the_published_sets(name):
    # Source: the set's electrode potentials as pybamm carries them, 2.5 to 4.2 V.
    values = pybamm.ParameterValues(name)
    for key, volts in (("Lower", 2.5), ("Upper", 4.2)):
        values[f"{key} voltage cut-off [V]"] = volts
    values["Open-circuit voltage at 0% SOC [V]"] = 2.5
    values["Open-circuit voltage at 100% SOC [V]"] = 4.2
    x0, x1, y1, y0 = pybamm.lithium_ion.ElectrodeSOHSolver(values).get_min_max_stoichiometries()
    param = pybamm.LithiumIonParameters()
    warmth = pybamm.Scalar(298.15)
    for charge, told in zip(CHARGES, KNOWN[name], strict=True):
        x, y = x0 + charge * (x1 - x0), y0 + charge * (y1 - y0)
        plus = values.evaluate(param.p.prim.U(pybamm.Scalar(y), warmth))
        minus = values.evaluate(param.n.prim.U(pybamm.Scalar(x), warmth))
        assert told == pytest.approx(float(np.ravel(plus - minus)[0]), abs=2e-3)


def test_one_curve_is_that_of_the_public_rests():
    # Source: data set hppc_discharge of ampworks 0.1: last reading of every rest of 3000 s or more;
    # its 0 and 1 lie at 1.5 % and 99 % of the range from 2.5 to 4.2 V.
    data = data_set()
    state = data["State"].to_numpy()
    ends = np.flatnonzero(np.r_[state[1:] != state[:-1], True])
    starts = np.r_[0, ends[:-1] + 1]
    time, charge = data["Seconds"].to_numpy(), data["Ah"].to_numpy()
    found = [
        (1 - charge[end] / charge.max(), float(data["Volts"].iloc[end]))
        for start, end in zip(starts, ends, strict=True)
        if state[end] == "R" and time[end] - time[start] > 3000
    ]
    assert len(found) == 11
    for share, volts in sorted(found)[1:]:
        told = np.interp((share + 0.015) / 1.025, CHARGES, KNOWN["hppc_discharge"])
        assert told == pytest.approx(volts, abs=0.02)  # straight lines across the knee
    assert ampworks.__version__.startswith("0.1")


def test_the_kind_of_cell_follows_from_words_and_voltages():
    assert kinds_of("LiFePO4 (LFP)", None, 3.3) == {"iron": 1.0}
    assert kinds_of(None, 3.65, 3.4) == {"iron": 1.0}
    assert set(kinds_of(None, 4.2, 4.0)) == {"nickel", "aluminium", "cobalt"}
    assert max(kinds_of("NMC", 4.2, 4.0).items(), key=lambda one: one[1])[0] == "nickel"
    assert max(kinds_of("NCA", 4.2, 4.0).items(), key=lambda one: one[1])[0] == "aluminium"


def test_draws_give_their_median_and_ninety_percent():
    # Closed form: of 0 … 1000 the middle is 500 and 90 % lie within 450 of it.
    found = of_draws(np.arange(1001.0))
    assert (found.value, found.error) == (500.0, 450.0)


def fitted(sizes, lags, extra):
    """Cells on a straight and bent curve, every share of the voltage known."""
    chance = np.random.default_rng(5)
    time = np.arange(0.0, 1800.0, 0.2)
    levels = chance.choice([0.0, 8.0, 20.0, 30.0, -5.0], len(time) // 60 + 1)
    current = np.repeat(levels, 60)[: len(time)]
    current[:50] = 0.0
    drawn = np.cumsum(current) * 0.2 / 3600
    no_gap = np.zeros(len(time), bool)
    cells = []
    for number, (size, lag, more) in enumerate(zip(sizes, lags, extra, strict=True), 1):
        state = 0.9 - (drawn / size + lag) / 12.0
        volts = 3.2 + 1.2 * state - 0.3 * state * (1 - state) - (0.004 + more) * current
        read = np.round(volts + 0.001 * chance.normal(size=len(time)), 3)
        cells.append((f"cell_voltage_{number}", Series(time, read, no_gap)))
    fit = fit_circuits(Series(time, current, no_gap), cells, 0.0, 1800.0)
    assert isinstance(fit, CircuitFit)
    return find_rests(fit, 12.0), time


def test_a_small_cell_and_one_that_lags_are_told_apart():
    rests, _ = fitted([1, 1, 0.85, 1, 1, 1], [0, 0, 0, 0, 1.0, 0], [0, 0, 0, 0, 0, 0])
    found = compare_cells(rests)
    assert found is not None
    assert found[2].size.value == pytest.approx(0.85, abs=0.03)
    assert found[4].lag.value == pytest.approx(1.0, abs=0.15)  # Ah
    assert found[4].size.value == pytest.approx(1.0, abs=0.03)
    for at in (0, 1, 3, 5):
        assert found[at].size.value == pytest.approx(1.0, abs=0.02)
        assert found[at].lag.value == pytest.approx(0.0, abs=0.1)


def test_the_shares_of_the_missing_voltage_add_up():
    rests, time = fitted([1] * 5, [0, 0, 0, 0.8, 0], [0, 0, 0, 0.002, 0])
    when = float(time[4000])
    shares = missing_voltage(rests, when, "cell_voltage_4", 4.2)
    assert shares is not None
    current = float(rests.fit.columns.loads(np.array([when]), ())[0, 0])
    # Hand arithmetic: 4 mΩ of a sound cell and 2 mΩ of its own.
    assert shares.load == pytest.approx(0.004 * current, abs=0.015)
    assert shares.extra == pytest.approx(0.002 * current, abs=0.01)
    assert shares.behind > 0.03
    terminal = rests.fit.voltage(np.array([when]) - rests.fit.skew)[0, 3]
    assert 4.2 - shares.total == pytest.approx(terminal, abs=0.015)
    words = shares.words("a full cell", float(terminal))
    assert "this cell's extra resistance" in words or current < 5


def test_cells_that_are_resistors_have_one_resistance():
    # Ohm's law: what is lost at once is lost after 10 s too, but for the charge that 10 s take.
    chance = np.random.default_rng(1)
    time = np.arange(0.0, 600.0, 0.1)
    current = np.repeat(chance.choice([0.0, 10.0, 25.0, -5.0], 120), 50)
    no_gap, drawn = np.zeros(len(time), bool), np.cumsum(current) * 0.1 / 3600
    ohms = (0.020, 0.020, 0.026, 0.020)
    cells = [
        (
            f"cell_voltage_{n}",
            Series(
                time,
                3.8 - one * current - drawn / 20.0 + chance.normal(0, 0.001, len(time)),
                no_gap,
            ),
        )
        for n, one in enumerate(ohms, 1)
    ]
    fit = fit_circuits(Series(time, current, no_gap), cells, 0.0, 600.0)
    assert isinstance(fit, CircuitFit)
    rests = find_rests(fit, 20.0)
    for own, step, ten in zip(ohms, rests.step, rests.ten, strict=True):
        assert step.low < own < step.high and step.error < 0.08 * own
        assert ten.low < own + 10 / 3600 / 20 < ten.high


def test_a_small_cell_at_the_end_of_its_curve_is_not_told_as_lagging_only():
    """Full with the others once, 12 % smaller: behind by size alone, on a curve that steepens."""
    chance = np.random.default_rng(7)
    time = np.arange(0.0, 600.0, 0.2)
    current = np.repeat(chance.choice([0.0, 10.0, 25.0, 30.0, -5.0], 61), 50)[: len(time)]
    drawn, no_gap, capacity = np.cumsum(current) * 0.2 / 3600, np.zeros(len(time), bool), 17.5
    states = np.array([-0.1, 0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 1.0])
    volts = np.array([2.2, 3.0, 3.17, 3.32, 3.45, 3.545, 3.61, 3.66, 4.19])
    cells, sizes = [], [1.0, 1.0, 0.88, 1.0, 1.0, 1.0]
    for number, size in enumerate(sizes, 1):
        state = 1 - (0.69 * capacity + drawn) / (capacity * size)
        read = np.interp(state, states, volts) - 0.005 * current
        cells.append(
            (
                f"cell_voltage_{number}",
                Series(time, read + chance.normal(0, 0.001, len(time)), no_gap),
            )
        )
    fit = fit_circuits(Series(time, current, no_gap), cells, 0.0, 600.0)
    assert isinstance(fit, CircuitFit)
    rests = find_rests(fit, capacity)
    found = compare_cells(rests)
    assert found is not None
    size, behind = found[2].size, found[2].behind
    assert size.low < 0.88 < size.high
    # Hand arithmetic: behind by all charge drawn since full, times 1/0.88 - 1.
    assert behind.low < (0.69 * capacity + rests.drawn[1]) * (1 / 0.88 - 1) < behind.high
    assert found[2].chance_behind(0.05 * capacity, rests.drawn[1] - rests.drawn[0]) > 0.95
    assert all(one.chance_smaller(0.05) < 0.2 for at, one in enumerate(found) if at != 2)


@pytest.mark.parametrize(
    ("chance", "words"),
    [(0.99, "is"), (0.9, "is likely"), (0.6, "may be"), (0.4, "cannot be told to be")],
)
def test_words_of_certainty_follow_the_chance(chance, words):
    assert certainty(chance).value == words
    assert within(12.34, 0.2) == "12 ± 1" and within(12.34, 0.2, 1) == "12.3 ± 0.2"


def test_the_likelihood_of_rests_is_the_normal_density():
    # Reference: scipy's multivariate normal density, less its constant.
    chance = np.random.default_rng(3)
    residual, amplitude = chance.normal(size=(4, 5)), chance.uniform(0.2, 2.0, (4, 5))
    places = np.linspace(0.0, 1.0, 5)
    alike = np.exp(-((places[:, None] - places[None, :]) ** 2) / 0.1)
    noise = 0.3 * np.eye(5) + 0.1
    found = _normal(residual.T, amplitude.T, alike[..., None], noise)
    for at in range(4):
        covariance = np.outer(amplitude[at], amplitude[at]) * alike + noise
        told = scipy.stats.multivariate_normal(np.zeros(5), covariance).logpdf(residual[at])
        assert found[at] == pytest.approx(told + 2.5 * np.log(2 * np.pi))
