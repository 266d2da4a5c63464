"""The circuit fit against a public pulse-power data set, against hand-made rides and closed forms.

Pulse resistance is ΔV/ΔI, as the INL/USABC battery test manual for electric vehicles defines it
(Christophersen 2015, DOI 10.2172/1186745, as cited by ampworks).
"""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import scipy
from hypothesis import given, settings
from hypothesis import strategies as st

from sagline_analyser.findings.belief.circuit import CircuitFit, fit_circuits, low_pass
from sagline_analyser.findings.readings.electric import battery_current, present
from sagline_analyser.findings.readings.series import Series
from sagline_analyser.findings.readings.unknown import NotKnown
from support.pulse_cell import pulse_ride, pulses

COUNT = 18
"""Pulses of the data set."""
BEFORE, AFTER = 39.0, 30.0
"""s of rest around a pulse that are fitted with it: the data set rests 40 s between pulses."""


@pytest.fixture(scope="module")
def pulsed(tmp_path_factory):
    return pulse_ride(tmp_path_factory.mktemp("pulses") / "cell.sagline")


@pytest.fixture(scope="module")
def fitted(pulsed):
    """Return the fit around one pulse, made once."""

    @cache
    def fit(pulse) -> CircuitFit:
        cells = present(pulsed, "cell_voltage")
        start, end = pulse.start - BEFORE, pulse.end + AFTER
        found = fit_circuits(battery_current(pulsed).series, cells, start, end)
        assert isinstance(found, CircuitFit)
        return found

    return fit


@pytest.fixture
def pulse(number: int):
    """Return one of them, found by the process that runs this file and not by all."""
    return pulses()[number]


def test_every_pulse_is_there():
    # Nine charge states, one discharge and one charge pulse each (ampworks' documentation).
    assert len(pulses()) == COUNT


@pytest.mark.parametrize("number", range(COUNT))
def test_the_step_is_the_pulse_resistance_at_once(fitted, pulse):
    # Source: ampworks.hppc.extract_impedance, first sample of the pulse (1 ms).
    assert float(fitted(pulse).step[0]) == pytest.approx(pulse.step, rel=0.03)


@pytest.mark.parametrize("number", range(COUNT))
def test_the_fitted_curve_has_the_pulse_resistance_after_ten_seconds(pulsed, fitted, pulse):
    # Source: ampworks.hppc.extract_impedance at 9.99 s: ΔV/ΔI against just before the pulse.
    fit = fitted(pulse)
    voltage = fit.voltage(np.array([pulse.start, pulse.start + 9.99]))[:, 0]
    current = battery_current(pulsed).series
    inside = (current.time > pulse.start) & (current.time < pulse.start + 9.99)
    pulled = float(np.mean(current.value[inside & (np.abs(current.value) > 0.1)]))
    assert (voltage[0] - voltage[1]) / pulled == pytest.approx(pulse.ten, rel=0.03)


@pytest.mark.parametrize("number", range(COUNT // 2))
def test_the_effective_resistance_is_that_of_a_pulse_from_long_rest(fitted, pulse):
    # The discharge pulses follow an hour of rest.  The charge pulses follow the discharge by 40 s,
    # so their ΔV/ΔI holds some of its recovery, which the effective resistance rightly leaves out.
    assert float(fitted(pulse).ten[0]) == pytest.approx(pulse.ten, rel=0.03)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.001, 3.0), st.floats(-40.0, 40.0)), min_size=2, max_size=8),
    st.floats(0.2, 60.0),
)
def test_the_low_pass_is_the_solution_of_its_equation(steps, tau):
    # τ·f' + f = i over straight lines, solved by SciPy's own integrator piece by piece.
    time = np.cumsum([width for width, _ in steps])
    value = np.array([level for _, level in steps])
    found = low_pass(Series(time, value, np.zeros(len(time), bool)), tau)
    state = value[0]
    for at in range(1, len(time)):
        span = (time[at - 1], time[at])
        line = lambda x, s=span, a=at: np.interp(x, s, value[a - 1 : a + 1])  # noqa: E731
        solved = scipy.integrate.solve_ivp(
            lambda x, f, line=line: (line(x) - f) / tau, span, [state], rtol=1e-9, atol=1e-9
        )
        state = solved.y[0, -1]
        assert found[at] == pytest.approx(state, abs=1e-5)


def test_the_low_pass_takes_a_jump_of_many_time_constants():
    time = np.array([0.0, 1.0, 5000.0, 5000.5, 9000.0])
    value = np.array([0.0, 10.0, 10.0, 10.0, -4.0])
    found = low_pass(Series(time, value, np.zeros(5, bool)), 0.5)
    # Steady state of the equation on a straight line: the line, τ late.
    assert found[2] == pytest.approx(10.0)
    assert found[4] == pytest.approx(-4.0 + 0.5 * 14.0 / 3999.5)


def ridden(noise=0.001, quantum=0.001, skew=0.0, seed=1, seconds=300.0, spikes=0, every=20):
    """A current of starts, cruises and regeneration, and one cell of 5 mΩ and 3 mΩ at 12 s.

    The cell follows the textbook circuit, computed here by SciPy-free recursion at 100 Hz.
    """
    chance = np.random.default_rng(seed)
    time = np.arange(0.0, seconds, 0.01)
    levels = chance.choice([0.0, 8.0, 25.0, 40.0, -12.0], len(time) // 400 + 1)
    target = np.repeat(levels, 400)[: len(time)]
    current = np.empty(len(time))
    slow = np.zeros(len(time))
    current[0] = 0.0
    for at in range(1, len(time)):
        current[at] = current[at - 1] + np.clip(target[at] - current[at - 1], -0.6, 0.6)
        slow[at] = slow[at - 1] + (current[at] - slow[at - 1]) * -math.expm1(-0.01 / 12.0)
    drawn = np.cumsum(current) * 0.01 / 3600
    voltage = 3.8 - 0.05 * drawn - 0.02 * drawn**2 - 0.005 * current - 0.003 * slow
    pick = np.arange(100, len(time) - 100, every)
    read = voltage[pick] + noise * chance.normal(size=len(pick))
    read = np.round(read / quantum) * quantum
    read[chance.choice(len(pick), spikes, replace=False)] = 0.1
    no_gap = np.zeros(len(time), bool)
    cell = Series(time[pick] - skew, read, np.zeros(len(pick), bool))
    return Series(time, current + 0.1 * chance.normal(size=len(time)), no_gap), cell


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"noise": 0.005},
        {"quantum": 0.010},
        {"skew": 0.18},
        {"skew": -0.9},
        {"spikes": 60},
        {"seconds": 90.0},
        {"every": 1},
    ],
    ids=str,
)
def test_the_circuit_is_found_in_spite_of(how):
    current, cell = ridden(**how)
    fit = fit_circuits(current, [("cell_voltage_1", cell)], 0.0, 400.0)
    assert isinstance(fit, CircuitFit)
    assert fit.skew == pytest.approx(how.get("skew", 0.0), abs=0.012)
    assert float(fit.step[0]) == pytest.approx(0.005, rel=0.05)
    drift = 10 * 0.05 / 3600  # V a second and ampere the resting voltage falls, to first order
    ten = 0.005 + 0.003 * -math.expm1(-10 / 12) + drift
    assert float(fit.ten[0]) == pytest.approx(ten, rel=0.06)
    assert float(fit.rest_start[0]) == pytest.approx(3.8, abs=0.01)


def test_readings_left_out_of_many_leave_no_change_of_load_uncounted():
    fits = []
    for every in (20, 1):  # 5 and 100 Hz: all of the first fitted, a fraction of the second
        current, cell = ridden(every=every)
        fit = fit_circuits(current, [("cell_voltage_1", cell)], 0.0, 400.0)
        assert isinstance(fit, CircuitFit)
        fits.append((len(cell) - fit.rows, fit.changes))
    assert fits[0][0] <= 2
    assert fits[1][0] > 20_000
    assert fits[0][1] == fits[1][1] > 4


def test_a_hole_in_the_current_does_not_bend_the_circuit():
    current, cell = ridden()
    kept = (current.time < 100.0) | (current.time > 130.0)
    gap = np.zeros(int(kept.sum()), bool)
    gap[np.flatnonzero(current.time[kept] > 100.0)[0]] = True
    holed = Series(current.time[kept], current.value[kept], gap)
    fit = fit_circuits(holed, [("cell_voltage_1", cell)], 0.0, 400.0)
    assert isinstance(fit, CircuitFit)
    assert float(fit.step[0]) == pytest.approx(0.005, rel=0.05)
    assert np.isnan(fit.sag(np.array([115.0]))).all()


def test_the_sag_is_what_the_load_takes():
    current, cell = ridden(noise=0.0002, quantum=0.0001)
    fit = fit_circuits(current, [("cell_voltage_1", cell)], 0.0, 400.0)
    at = np.arange(20.0, 280.0, 7.0)
    drawn = np.interp(at, current.time, np.cumsum(current.value) * 0.01 / 3600)
    rest = np.interp(at, cell.time, cell.value) + fit.sag(at)[:, 0]
    assert rest == pytest.approx(3.8 - 0.05 * drawn - 0.02 * drawn**2, abs=0.012)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda c, v: (replace(c, value=np.full(len(c), 3.0)), v), "hardly changed"),
        (lambda c, v: (c, replace(v, time=v.time[:9], value=v.value[:9], gap=v.gap[:9])), "40"),
        (lambda c, v: (replace(c, time=c.time + 5000.0), v), "40"),
        (lambda c, v: (replace(c, value=-c.value), v), "does not follow"),
    ],
)
def test_what_cannot_be_fitted_says_why(change, reason):
    current, cell = change(*ridden())
    found = fit_circuits(current, [("cell_voltage_1", cell)], 0.0, 400.0)
    assert isinstance(found, NotKnown)
    assert reason in found.reason
