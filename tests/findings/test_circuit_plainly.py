"""The circuit's sums, worked out a second time and plainly.

References: least squares by ``numpy.linalg.lstsq`` on weighted rows; Huber's weights and the
median absolute deviation (Huber, Robust Statistics); CR2 with the matrix power as Bell & McCaffrey
(Survey Methodology 28, 2002) define it; the Bayesian information criterion (Schwarz, Annals of
Statistics 6, 1978) of every circuit in turn; straight lines by ``numpy.interp``; Legendre's
polynomials by NumPy.
"""

import itertools
import math

import numpy as np
import pytest
from numpy.polynomial import Legendre

from sagline_analyser.findings.belief.circuit import (
    CircuitFit,
    Columns,
    _changes,
    _choose,
    _evenly,
    _find_skew,
    _grain,
    _kept,
    _quantities,
    _robust,
    _table,
    fit_circuits,
    low_pass,
)
from sagline_analyser.findings.readings.series import Series
from sagline_analyser.findings.readings.unknown import NotKnown
from support.late import late

linalg = late("scipy.linalg")

HUBER = 1.345  # 95 % efficiency with Gaussian noise


def series(time, value, gaps=()) -> Series:
    gap = np.zeros(len(time), bool)
    gap[list(gaps)] = True
    return Series(np.asarray(time, float), np.asarray(value, float), gap)


def driving(seconds=300.0, seed=4, step=0.1) -> Series:
    """A current of steps of some seconds."""
    chance = np.random.default_rng(seed)
    time = np.arange(0.0, seconds, step)
    levels = chance.choice([0.0, 8.0, 25.0, 40.0, -12.0], len(time) // 40 + 1)
    return series(time, np.repeat(levels, 40)[: len(time)])


@pytest.mark.parametrize(("count", "parts"), [(487, 24), (62, 6)])
def test_the_robust_fit_and_what_each_group_of_time_adds(count, parts):
    chance = np.random.default_rng(8)
    size, cells = 4, 3
    design = chance.normal(size=(count, size)) * np.array([1.0, 30.0, 0.2, 5.0])
    truth = chance.normal(size=(size, cells))
    seen = design @ truth + chance.normal(size=(count, cells)) * np.array([0.1, 0.2, 0.4])
    seen[::17, 1] += 1.1  # between the knee of the weights and where they end
    seen[5::29, 0] -= 40.0  # beyond
    found, groups, noise = _robust(design, seen)
    even = count // parts * parts  # groups alike in length, of ten rows or more, at most 24
    assert groups.shape == (parts, size, cells)
    for cell in range(cells):
        x, y = design[:even], seen[:even, cell]
        weight, spread = np.ones(even), np.inf
        for _ in range(9):
            root = np.sqrt(weight)
            told = np.linalg.lstsq(x * root[:, None], y * root, rcond=None)[0]
            rest = y - x @ told
            spread = np.median(np.abs(rest)) / 0.6745
            used, weight = weight, np.minimum(1.0, HUBER * spread / np.abs(rest))
            weight[np.abs(rest) > 8 * spread] = 0.0
        assert noise[cell] == pytest.approx(spread, rel=1e-3)
        root = np.sqrt(used)
        tilted = x * root[:, None]
        covariance = np.linalg.inv(tilted.T @ tilted)
        width = np.sqrt(np.diag(covariance)) * spread
        assert np.all(np.abs(found[:, cell] - told) < 0.01 * width)
        rest = rest * root
        for group in range(parts):
            own = slice(group * even // parts, (group + 1) * even // parts)
            hat = tilted[own] @ covariance @ tilted[own].T
            adjusted = linalg.fractional_matrix_power(np.eye(len(hat)) - hat, -0.5).real @ rest[own]
            part = covariance @ tilted[own].T @ adjusted
            off = groups[group, :, cell] - found[:, cell] + part
            assert np.all(np.abs(off) < 0.01 * width)


def test_a_perfect_fit_has_hardly_any_noise_and_few_rows_few_groups():
    chance = np.random.default_rng(8)
    design = chance.normal(size=(57, 2))
    found, groups, noise = _robust(design, design @ np.array([[1.5], [-2.0]]))
    assert found[:, 0] == pytest.approx([1.5, -2.0])
    assert groups.shape == (5, 2, 1)  # ten rows each at the least
    assert groups[:, :, 0] == pytest.approx(np.tile([1.5, -2.0], (5, 1)))
    assert noise.tolist() == [1e-6]


def bic(design, voltages):
    """Return the criterion, and the coefficients of all cells."""
    told = np.linalg.lstsq(design, voltages, rcond=None)[0]
    left = np.sum((voltages - design @ told) ** 2, axis=0)
    count, cells = voltages.shape
    return count * np.sum(np.log(left)) + design.shape[1] * cells * math.log(count), told


@pytest.mark.parametrize(
    ("seconds", "taus", "bend"),
    [(300.0, (5.0,), 0.3), (300.0, (1.5, 50.0), 0.0), (60.0, (15.0,), 0.0), (500.0, (), 2.0)],
)
def test_the_circuit_chosen_has_the_lowest_criterion_of_all(seconds, taus, bend):
    chance = np.random.default_rng(6)
    columns = Columns(driving(seconds))
    times = np.arange(1.0, seconds - 1.0, 0.25)
    place = columns.position(times)
    voltages = 3.8 - 0.1 * place - bend * place**4
    voltages = voltages - columns.loads(times, taus) @ np.array([0.005, *([0.004] * len(taus))])
    voltages = voltages[:, None] + chance.normal(0, 0.002, (len(times), 2))
    found = _choose(columns, times, voltages)
    span = times[-1] - times[0]
    bank = [tau for tau in (0.5, 1.5, 5.0, 15.0, 50.0) if tau < span / 1.5]
    scores = {}
    for degree in (1, 2, 3, 4, 6):
        if degree > 1 + span / 120:  # one more for every two minutes
            continue
        for size in range(4):
            for chosen in itertools.combinations(bank, size):
                score, told = bic(columns.design(times, chosen, degree), voltages)
                if (np.median(told[: 1 + size], axis=1) <= 0).all():  # −R: no R is below 0
                    scores[chosen, degree] = score
    assert found == min(scores, key=scores.get)
    assert set(taus) <= set(found[0])


def test_cells_whose_voltage_rises_with_the_load_have_no_circuit():
    columns = Columns(driving())
    times = np.arange(1.0, 299.0, 0.25)
    voltages = 3.8 + 0.05 * columns.loads(times, ())
    assert _choose(columns, times, voltages) is None


def test_the_columns_are_the_current_its_low_passes_and_its_sum():
    current = series([0.0, 1.0, 2.0, 4.0, 5.0, 5.5], [0.0, 10.0, 10.0, -6.0, 2.0, 2.0])
    columns = Columns(current)
    times = np.array([0.0, 0.5, 1.7, 3.0, 4.25, 5.5])
    assert columns.loads(times, ()) == pytest.approx(
        np.interp(times, current.time, current.value)[:, None]
    )
    both = columns.loads(times, (3.0, 0.5))
    for at, tau in ((1, 3.0), (2, 0.5)):
        told = np.interp(times, current.time, low_pass(current, tau))
        assert both[:, at] == pytest.approx(told)
    # Trapezoids by hand: 5, 10, 4, −2, 1 As.
    assert columns.drawn(current.time) == pytest.approx([0, 5, 15, 19, 17, 18])
    assert columns.position(current.time) == pytest.approx(
        [-1, 10 / 19 - 1, 30 / 19 - 1, 1, 34 / 19 - 1, 36 / 19 - 1]
    )
    assert np.isnan(columns.drawn(np.array([-0.1, 5.6]))).all()
    assert np.isnan(columns.loads(np.array([-0.1, 5.6]), (3.0,))).all()
    # Above 2 A from 1 to 4 s: 10 and 10; above 20 A none.
    assert columns.mean_above(1.0, 4.0, 2.0) == 10.0
    assert columns.mean_above(0.0, 9.0, 1.0) == pytest.approx(24 / 4)
    assert columns.mean_above(1.0, 4.0, 20.0) == 0.0
    design = columns.design(times, (3.0,), 2)
    assert design[:, :2] == pytest.approx(columns.loads(times, (3.0,)))
    place = columns.position(times)
    assert design[:, 2:] == pytest.approx(np.stack([place**0, place, (3 * place**2 - 1) / 2], 1))


def test_short_holes_are_bridged_and_long_ones_forget_the_load():
    # A hole of 1.5 s is bridged; one of 20 s is not, and for 10 s behind it the history is unknown.
    time = [0.0, 1.0, 2.5, 3.0, 23.0, 24.0, 32.9, 33.1, 34.0]
    columns = Columns(series(time, [4.0, 4.0, 8.0, 8.0, 2.0, 2.0, 2.0, 2.0, 2.0], [2, 4]))
    assert columns.drawn(np.array([3.0, 24.0])) == pytest.approx([4 + 9 + 4, 4 + 9 + 4 + 2])
    inside = np.array([1.75, 13.0])
    assert np.isnan(columns.loads(inside, ())).all()
    assert columns.loads(inside, (), bridge=True)[0, 0] == pytest.approx(6.0)
    assert np.isnan(columns.loads(inside, (), bridge=True)[1, 0])
    assert np.isnan(columns.drawn(inside)).tolist() == [False, True]
    when = np.array([0.5, 1.75, 2.75, 13.0, 23.0, 32.9, 33.0, 33.1, 34.5])
    assert columns.known(when).tolist() == [True, False, True] + [False] * 4 + [True, False]
    # What is low-passed starts afresh behind the long hole only.
    slow = columns.loads(np.array([3.0, 23.0, 34.0]), (100.0,))[:, 1]
    assert 4.0 < slow[0] < 4.2 and slow[1:] == pytest.approx([2.0, 2.0])


def test_the_mean_current_of_a_stretch():
    columns = Columns(series([0.0, 1.0, 2.0, 3.0, 4.0], [9.0, 4.0, 0.5, 6.0, 100.0]))
    assert columns.mean_above(1.0, 3.0, 1.0) == pytest.approx(5.0)  # both ends are in it
    assert columns.mean_above(1.0, 3.0, 50.0) == 0.0


def test_a_current_that_never_flows_has_a_place_all_the_same():
    columns = Columns(series([0.0, 1.0, 2.0], [0.0, 0.0, 0.0]))
    assert columns.scale == (0.0, 1.0)
    assert columns.position(np.array([1.0])) == pytest.approx([-1.0])


def test_low_passed_currents_are_let_go():
    columns = Columns(driving(20.0))
    first = columns.loads(np.array([5.0]), (3.0, 7.0))
    columns.keep_only((7.0,))
    assert set(columns._low) == {7.0}
    assert columns.loads(np.array([5.0]), (3.0, 7.0)) == pytest.approx(first)


def test_the_quantities_are_what_a_pulse_would_show():
    columns = Columns(driving(300.0))
    times = np.arange(2.0, 290.0, 0.5)
    taus, degree = (1.5, 15.0), 3
    ohms, curve = np.array([0.005, 0.002, 0.004]), Legendre([3.7, -0.2, 0.05, -0.01])
    wanted = _quantities(columns, times, taus, degree)
    step, ten, first, last = wanted @ np.r_[-ohms, curve.coef]
    place = columns.position(times)
    assert step == pytest.approx(0.005)
    fall = (curve(place.min()) - curve(place.max())) / np.ptp(columns.drawn(times))  # V an As
    told = 0.005 + 0.002 * (1 - math.exp(-10 / 1.5)) + 0.004 * (1 - math.exp(-10 / 15)) + 10 * fall
    assert ten == pytest.approx(told)
    assert (first, last) == pytest.approx((curve(place[0]), curve(place[-1])))
    assert np.isfinite(_quantities(columns, times[:1], taus, degree)).all()


def test_rows_are_those_that_every_cell_has_and_no_spike():
    time = np.arange(0.0, 20.0, 0.5)
    one, other = 3.8 - 0.01 * time, 3.7 - 0.02 * time
    spoilt = one.copy()
    spoilt[10] += 0.26  # more than a quarter of a volt beside both its neighbours
    spoilt[21] -= 0.24
    later = series(time + 0.1, other)
    times, volts = _table([series(time, spoilt), later], 0.0, 20.0)
    kept = np.r_[time[1:10], time[11:-1]]
    assert times == pytest.approx(kept)
    assert volts[:, 1] == pytest.approx(3.7 - 0.02 * (kept - 0.1))
    assert volts[:, 0] == pytest.approx(np.interp(kept, time, spoilt))
    # A step is no spike, and a reading that the other cell lacks is none of both.
    stepped = series(time, np.where(time < 8.0, 3.9, 3.5))
    times, volts = _table([stepped, series(time[5:], other[5:])], 0.0, 20.0)
    assert times[0] == time[5] and len(times) == len(time) - 6
    down = one.copy()
    down[10] -= 0.3
    assert time[10] not in _table([series(time, down)], 0.0, 20.0)[0]
    times, _ = _table([series(time, one)], 3.0, 7.0)
    assert (times[0], times[-1]) == (3.5, 6.5)


def test_rows_are_thinned_evenly():
    times = np.arange(0.0, 100.0)
    assert _evenly(times, 0.0, 99.0, 1000).tolist() == list(range(1, 99))
    assert _evenly(times, 10.0, 20.0, 1000).tolist() == list(range(11, 20))
    assert _evenly(times, 9.5, 20.5, 1000).tolist() == list(range(11, 20))
    assert _evenly(times, 0.0, 99.0, 30).tolist() == list(range(1, 99, 4))
    assert _evenly(times, 0.0, 99.0, 100).tolist() == list(range(1, 99, 2))


def test_a_grain_and_the_changes_of_load_are_counted():
    assert _grain(series(range(5), [0.0, 3.0, 1.0, 1.5, 9.0])) == 2.5  # of 3, 2, ½ and 7½
    load = np.array([0.0, 2.9, 3.1, 8.0, 5.0, 9.0, 2.0, 6.0, 6.1, 0.0, 7.0])
    # Thirds of 0 to 9: low to 3, high from 6 on; 0 8 9 2 6.1 0 7: five times across.
    assert _changes(load, 0.0, 9.0) == 5
    assert _changes(load[:6], 0.0, 9.0) == 1
    assert _changes(load + 90, 90.0, 99.0) == 5


def test_rows_kept_are_the_ends_and_some_between():
    times, volts = np.arange(5000.0), np.arange(10_000.0).reshape(5000, 2)
    kept, seen = _kept(times, volts)
    assert (kept[0], kept[-1], len(kept)) == (0.0, 4999.0, 600)
    assert np.diff(kept).max() == 9 and seen[:, 0] == pytest.approx(2 * kept)
    assert _kept(times[:40], volts[:40])[0].tolist() == list(range(40))


@pytest.mark.parametrize("skew", [0.0, 0.4, -1.31, 1.5])
def test_the_shift_between_two_clocks_is_found(skew):
    columns = Columns(driving(200.0, step=0.05))
    chance = np.random.default_rng(3)
    times = np.sort(chance.uniform(4.0, 190.0, 900))  # in no step with the current's
    loads = columns.loads(times + skew, (15.0,))
    volts = 3.8 - loads @ np.array([[0.004, 0.006], [0.003, 0.002]])
    found = _find_skew(columns, times, volts + chance.normal(0, 0.001, volts.shape))
    assert found == pytest.approx(skew, abs=0.006)
    assert _find_skew(columns, times[:43], volts[:43]) != 0.0 or skew == 0.0
    assert _find_skew(columns, times[:39], volts[:39]) == 0.0


@pytest.mark.parametrize("skew", [0.0, 0.13, 0.4, -0.9])
def test_the_shift_is_found_where_the_load_keeps_time_with_the_rows_looked_at(skew):
    # One row in 16 is looked at, and the load's steps come back every 80: at even distances the
    # same five moments of each step would be seen all along, and any shift between two would do.
    step = 0.0937
    time = np.arange(0.0, 1500.0, 0.02)
    load = np.where((time / (80 * step)) % 1 < 0.5, 30.0, 4.0)
    columns = Columns(series(time, load))
    times = np.arange(5.0, 1495.0, step)
    assert 1 + len(times) // 1000 == 16
    loads = columns.loads(times + skew, (15.0,))
    volts = (4.0 - loads @ np.array([0.01, 0.005]))[:, None]
    volts = volts + np.random.default_rng(3).normal(0, 0.001, (len(times), 3))
    assert _find_skew(columns, times, volts) == pytest.approx(skew, abs=0.05)


def test_one_clock_for_both_streams_is_no_shift_at_all():
    columns = Columns(driving(200.0))
    times = np.arange(4.0, 190.0, 0.2)
    volts = 3.8 + np.random.default_rng(5).normal(0, 0.01, (len(times), 2))
    assert _find_skew(columns, times, volts) == 0.0


def ridden(cells=2):
    """A ride on cells of 5 and 6 mΩ with 3 mΩ at 15 s, and what it is made of."""
    current = driving(400.0, step=0.05)
    time = np.arange(3.0, 397.0, 0.2)
    columns = Columns(current)
    drawn = columns.drawn(time) / 3600
    slow = columns.loads(time, (15.0,))
    chance = np.random.default_rng(9)
    made = []
    for number in range(cells):
        volts = 3.8 - 0.06 * drawn - slow @ np.array([0.005 + 0.001 * number, 0.003])
        made.append((f"cell_voltage_{number + 1}", volts + chance.normal(0, 0.002, len(time))))
    return current, [(key, series(time, volts)) for key, volts in made], drawn


def test_what_is_fitted_is_what_the_ride_was_made_of():
    current, cells, drawn = ridden()
    fit = fit_circuits(current, cells, 0.0, 400.0)
    assert isinstance(fit, CircuitFit)
    time = cells[0][1].time
    assert fit.keys == ("cell_voltage_1", "cell_voltage_2")
    assert (fit.start, fit.end, fit.rows) == (time[1], time[-2], len(time) - 2)
    assert fit.skew == 0.0 and 15.0 in fit.time_constants
    assert fit.step == pytest.approx([0.005, 0.006], abs=2e-4)
    assert fit.rest_start == pytest.approx(3.8 - 0.06 * drawn[1], abs=0.003)
    assert fit.rest_end == pytest.approx(3.8 - 0.06 * drawn[-2], abs=0.003)
    assert fit.noise == pytest.approx([0.002, 0.002], rel=0.1)
    ten = np.array([0.005, 0.006]) + 0.003 * -math.expm1(-10 / 15) + 0.06 * 10 / 3600
    assert fit.ten == pytest.approx(ten, rel=0.04)
    assert fit.groups.shape == (24, 4, 2)
    for at, (value, truth) in enumerate(((fit.step, [0.005, 0.006]), (fit.ten, ten))):
        error = fit.error(fit.groups[:, at])
        assert np.all(np.abs(value - truth) < 4 * error) and np.all(error < 0.05 * value)
    assert fit.voltage(time[1:-1]) == pytest.approx(
        np.stack([one.value[1:-1] for _, one in cells], 1), abs=0.012
    )
    sag = Columns(current).loads(time, (15.0,)) @ np.array([[0.005, 0.006], [0.003, 0.003]])
    assert fit.sag(time[5:-5]) == pytest.approx(sag[5:-5], abs=0.006)
    assert len(fit.rows_kept[0]) == 600
    assert fit.rows_kept[0][[0, -1]].tolist() == [fit.start, fit.end]
    load = np.interp(time, current.time, current.value)
    side = np.where(load > 24.0, 1, np.where(load < 6.0, -1, 0))  # thirds of −12 to 40 A
    side = side[side != 0]
    assert abs(fit.changes - np.count_nonzero(np.diff(side))) <= 2
    quantity = np.array([[1.0], [2.0], [6.0]])
    assert fit.error(quantity) == pytest.approx([math.sqrt(4 + 1 + 9)])


def test_what_cannot_be_fitted_says_so_in_words():
    current, cells, _ = ridden(1)
    few = [(cells[0][0], series(cells[0][1].time[:41], cells[0][1].value[:41]))]
    told = fit_circuits(current, few, 0.0, 400.0)
    assert isinstance(told, NotKnown)
    assert told.reason == (
        "needs at least 40 readings of cell voltage together with battery current"
    )
    enough = [(cells[0][0], series(cells[0][1].time[:42], cells[0][1].value[:42]))]
    told = fit_circuits(current, enough, 0.0, 400.0)
    assert not isinstance(told, NotKnown) or "40 readings" not in told.reason
    holed = series(np.r_[current.time[:60], current.time[-60:]], np.r_[current.value[:120]], [60])
    told = fit_circuits(holed, cells, 0.0, 400.0)
    assert isinstance(told, NotKnown)
    assert told.reason == ("too little battery current was recorded alongside the cell voltages")
    still = series(current.time, np.where(np.arange(len(current)) % 2, 3.0, 3.8))
    told = fit_circuits(still, cells, 0.0, 400.0)
    assert isinstance(told, NotKnown)
    assert told.reason == "the load hardly changed; a few launches would do"
    wrong = [(key, series(one.time, 7.6 - one.value)) for key, one in cells]
    told = fit_circuits(current, wrong, 0.0, 400.0)
    assert isinstance(told, NotKnown)
    assert told.reason == (
        "the cells' voltage does not follow the load, so one of the two may be measured wrong"
    )
