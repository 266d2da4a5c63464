"""What cells show at rest, and how they differ, worked out a second time and plainly.

References: Bayesian linear regression as least squares with the prior for further rows (Bishop,
Pattern Recognition and Machine Learning, §3.3), by ``numpy.linalg.lstsq``; conditioning of a joint
normal distribution and its marginal (ibid., §2.3), by SciPy; hand arithmetic where it says so.
"""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from sagline_analyser.findings.belief import rests as module
from sagline_analyser.findings.belief.circuit import CircuitFit, Columns, fit_circuits
from sagline_analyser.findings.belief.curves import (
    CHARGES,
    CURVES,
    GRID,
    Curve,
    chemistry_of,
    kind_of,
    kinds_of,
    on_grid,
)
from sagline_analyser.findings.belief.estimate import Estimate, of_draws
from sagline_analyser.findings.belief.missing import MissingVoltage, missing_voltage
from sagline_analyser.findings.belief.rest_points import _rest, rest_points
from sagline_analyser.findings.belief.rests import (
    Rests,
    _astray,
    _before,
    _guess,
    _hats,
    _knots,
    _steep,
    find_rests,
)
from sagline_analyser.findings.belief.unequal import (
    Unequal,
    _on,
    _priors,
    _slope,
    _told,
    _weigh,
    compare_cells,
)
from sagline_analyser.findings.readings.packs import PackSpan
from sagline_analyser.findings.readings.series import Series
from sagline_logger.format import read_board_file
from support.late import late
from support.rides import channel, make_ride, make_stream

stats = late("scipy.stats")

TAUS = (1.5, 5.0, 15.0, 50.0, 150.0, 500.0)
BEFORE = (50.0, 150.0, 500.0)


# --- the second look at the circuit ----------------------------------------------------------


def ride(seconds=1500.0, cells=4):
    """A current of steps, and cells of different resistance on a curve that bends."""
    chance = np.random.default_rng(12)
    time = np.arange(0.0, seconds, 0.25)
    levels = chance.choice([0.0, 6.0, 20.0, 33.0, -8.0], len(time) // 60 + 1)
    current = np.repeat(levels, chance.integers(20, 100, len(levels)))  # in no step with a clock
    current = np.r_[current, np.zeros(len(time))][: len(time)]
    current[:40] = 0.0
    no_gap = np.zeros(len(time), bool)
    amperes = Series(time, current, no_gap)
    columns = Columns(amperes)
    drawn = columns.drawn(time) / 3600
    slow = columns.loads(time, (15.0, 150.0))
    made = []
    for number in range(cells):
        state = 0.9 - drawn / (11.0 + 0.3 * number)
        volts = 3.2 + 1.1 * state - 0.4 * state * (1 - state)
        volts = volts - slow @ np.array([0.004 + 0.001 * number, 0.002, 0.001])
        read = np.round(volts + chance.normal(0, 0.0015, len(time)), 3)
        # The cells' clock is 0.4 s behind the current's.
        made.append((f"cell_voltage_{number + 1}", Series(time - 0.4, read, no_gap)))
    fit = fit_circuits(amperes, made, 100.0, seconds)
    assert isinstance(fit, CircuitFit)
    return fit


FIT = ride()


def plain_rests(fit, capacity, behind=70.0):
    """Return the second look, with the prior for rows of its own; a dictionary of its figures."""
    times, volts = fit.rows_kept
    current = fit.columns._current
    driving = current.value[(current.time >= fit.start) & (current.time <= fit.end)]
    load = driving[driving > 1.0].mean()
    ten = np.median(np.abs(fit.ten))
    plain = fit.columns.loads(times, TAUS, bridge=True)
    bent = load * np.arcsinh(plain[:, :1] / (load / 2))
    loads = np.hstack([plain, bent])
    drawn = fit.columns.drawn(times) / 3600
    width = drawn.max() - drawn.min()
    count = int(min(max(width / capacity / 0.012, 2), 30)) + 1
    knots = np.linspace(drawn.min(), drawn.max(), count)
    hats = np.array([np.interp(drawn, knots, one) for one in np.eye(count)]).T
    past = -np.exp(-(times - times[0])[:, None] / np.array(BEFORE))
    design = np.hstack([-loads, past, hats])
    ohms, first = 8, 11
    # The prior: each of these rows times the unknowns is normal around its target with 1.
    step = (knots[1] - knots[0]) / capacity
    spread = np.array([2.0, *[0.2] * 4, *[0.20] * 2, 0.1]) * ten
    middle = np.array([0.6, *[0.1] * 4, *[0.15] * 2, 0.05]) * ten
    rows, targets = [], []
    for at in range(ohms):
        rows.append(np.eye(first + count)[at] / spread[at])
        targets.append(middle[at] / spread[at])
    for at in range(ohms, first):
        rows.append(np.eye(first + count)[at] / (0.12 * ten * load))
        targets.append(0.0)
    for at in range(count - 2):
        row = np.zeros(first + count)
        row[first + at : first + at + 3] = np.array([1, -2, 1]) / (30.0 * step**2)
        rows.append(row)
        targets.append(0.0)
    for at in range(count - 1):
        row = np.zeros(first + count)
        row[first + at : first + at + 2] = np.array([-1, 1]) / (3 * step) / math.sqrt(count)
        rows.append(row)
        targets.append(0.0)
    rows, targets = np.array(rows), np.array(targets)
    alike = min(1.0, (times[-1] - times[0]) / 15.0 / len(times))
    size = np.abs(loads) @ np.array([0.6, *[0.15] * 6, 0.0]) * ten
    rough = 0.03
    for _ in range(5):
        noise = np.sqrt(0.002**2 + (rough * size) ** 2)
        weight = math.sqrt(alike) / noise
        stacked = np.vstack([design * weight[:, None], rows])
        seen = np.vstack(
            [volts * weight[:, None], np.repeat(targets[:, None], volts.shape[1], axis=1)]
        )
        found = np.linalg.lstsq(stacked, seen, rcond=None)[0]
        off = np.median(np.abs(volts - design @ found) / noise[:, None]) / 0.6745
        rough = min(max(rough * off, 0.01), 0.2)
    covariance = np.linalg.inv(stacked.T @ stacked)
    residual = volts - design @ found
    return SimpleNamespace(
        load=load,
        knots=knots,
        found=found,
        covariance=covariance,
        residual=residual,
        hats=hats,
        drawn=drawn,
        times=times,
        tails=np.abs(plain[[0, -1], -1]),
        behind=behind,
    )


@pytest.fixture(scope="module")
def looked():
    return find_rests(FIT, 12.0), plain_rests(FIT, 12.0)


def test_the_rest_at_each_knot_is_that_of_least_squares_with_the_prior(looked):
    rests, told = looked
    assert rests.keys == FIT.keys and rests.capacity == 12.0
    assert rests.load == pytest.approx(told.load)
    assert rests.charge == pytest.approx(told.knots)
    assert rests.voltage == pytest.approx(told.found[11:], abs=1e-5)
    assert rests.drawn == pytest.approx((told.drawn[0], told.drawn[-1]))


def test_what_rest_may_be_off_by_and_what_equal_cells_share(looked):
    rests, told = looked
    own = told.covariance[11:, 11:]
    # A knot whose rows lie beside the fit is the less sure by twice their mean distance.
    middle = np.median(told.residual, axis=1)
    beside = [np.sum(one * middle) / np.sum(one) for one in told.hats.T]
    assert rests.covariance == pytest.approx(
        own + np.diag((2.0 * np.array(beside)) ** 2), rel=1e-3, abs=1e-11
    )
    # Of the difference of two cells only what differs is left, at least a fifth of it.
    differs = np.median(np.abs(told.residual - middle[:, None])) / np.median(np.abs(told.residual))
    assert rests.apart == pytest.approx(own * min(max(differs, 0.2), 1.0) ** 2, rel=1e-3, abs=1e-11)


def test_the_resistances_at_once_and_after_ten_seconds(looked):
    rests, told = looked
    ohms, inner = told.found[:8], told.covariance[:8, :8]
    at_once = np.array([1.0, *[0.0] * 6, np.arcsinh(2.0)])  # load · asinh(load over its half)
    after = np.array([1.0, *(1 - math.exp(-10 / tau) for tau in TAUS), np.arcsinh(2.0)])
    rest = told.found[11:]
    # The fall of rest in ten seconds of an ampere, over the ride.
    fall = (rest[0].mean() - rest[-1].mean()) / (told.knots[-1] - told.knots[0]) * 10 / 3600
    stray = math.sqrt(np.mean(np.median(told.residual, axis=1) ** 2)) / told.load
    for estimates, weights, more, passes in (
        (rests.step, at_once, 0.0, 0.0),
        (rests.ten, after, fall, 0.7 * stray),
    ):
        values = weights @ ohms + more
        assert [one.value for one in estimates] == pytest.approx(values, rel=1e-4)
        spread = math.sqrt(weights @ inner @ weights)
        for one, value, bent in zip(estimates, values, np.arcsinh(2.0) * ohms[-1], strict=True):
            bend = min(max(bent, 0.0), rests.ten[list(estimates).index(one)].value)
            wide = math.sqrt(spread**2 + (0.021 * value) ** 2 + (0.053 * bend) ** 2 + passes**2)
            assert one.error == pytest.approx(1.645 * wide, rel=1e-3)
    slow = [math.exp(-10 / tau) for tau in TAUS]
    assert rests.lasting == pytest.approx(slow @ np.maximum(ohms[1:7], 0.0), rel=1e-3)


def test_the_ends_of_the_ride_and_their_doubt(looked):
    rests, told = looked
    ten = np.median([one.value for one in rests.ten])
    resting, knots = told.found[11:], told.knots
    weight = told.hats.sum(axis=0)[:, None]
    square = told.hats.T @ told.residual**2 / weight
    beside = np.sqrt(np.maximum(square - np.median(square, axis=1, keepdims=True), 0.0))
    lowest = np.array([resting[: at + 1].min(axis=0) for at in range(len(knots))])
    risen = resting - lowest
    risen = np.maximum(risen - np.median(risen, axis=1, keepdims=True), 0.0)
    astray = np.hypot(beside, risen)
    for ends, when, tail in ((rests.start, 0, told.tails[0]), (rests.end, -1, told.tails[1])):
        row = np.array([np.interp(told.drawn[when], knots, one) for one in np.eye(len(knots))])
        low, high = (0, 3) if when == 0 else (len(knots) - 4, len(knots) - 1)
        assert [one.value for one in ends] == pytest.approx(row @ resting, abs=1e-5)
        common = row @ rests.covariance @ row + (0.08 * tail * ten) ** 2 + 0.002**2
        for at, one in enumerate(ends):
            steep = max((resting[low, at] - resting[high, at]) / (knots[high] - knots[low]), 0.0)
            own = (70.0 * tail / 3600 * steep) ** 2 + (row @ astray[:, at]) ** 2
            # Three quarters of what all doubts have together.
            assert one.error == pytest.approx(0.75 * 1.645 * math.sqrt(common + own), rel=2e-2)


def test_rest_at_any_time_and_its_doubt(looked):
    rests, told = looked
    times = np.array([400.0, 900.3, 1400.0])
    when = times + FIT.skew
    drawn = FIT.columns.drawn(when) / 3600
    slow = FIT.columns.loads(when, (500.0,))[:, 1]
    voltage, wide = rests.at(times)
    ten = np.median([one.value for one in rests.ten])
    for at in range(3):
        row = np.array([np.interp(drawn[at], told.knots, one) for one in np.eye(len(told.knots))])
        assert voltage[at] == pytest.approx(row @ rests.voltage)
        steep = row @ _steep(rests.charge, np.median(rests.voltage, axis=1))
        variance = row @ rests.covariance @ row + (0.08 * ten * slow[at]) ** 2 + 0.002**2
        variance += (70.0 * slow[at] / 3600 * steep) ** 2
        assert wide[at] == pytest.approx(1.645 * math.sqrt(variance))
    sag = FIT.columns.loads(when, TAUS)
    bent = told.load * np.arcsinh(sag[:, :1] / (told.load / 2))
    assert rests.sag(times) == pytest.approx(np.hstack([sag, bent]) @ told.found[:8], rel=1e-3)
    assert np.isnan(rests.at(np.array([-50.0]))[0]).all()


def test_the_first_reading_alone(looked):
    rests, told = looked
    times, volts = FIT.rows_kept
    ten = np.median([one.value for one in rests.ten])
    current = FIT.columns._current
    around = np.abs(current.time[:, None] - times) <= 3.0
    steady = np.array(
        [np.ptp(current.value[one]) == 0.0 < current.value[one][0] for one in around.T]
    )
    first = int(np.flatnonzero(steady)[0])  # as if the ride began under a steady load
    for at in (0, first):
        later = SimpleNamespace(**{**vars(FIT), "rows_kept": (times[at:], volts[at:])})
        opening = Rests(**{**vars(rests), "fit": later}).opening()
        sag = float(np.median(rests.sag(times[at : at + 1] - FIT.skew)[0]))
        assert opening.value == pytest.approx(np.median(volts[at]) + sag, abs=1e-9)
        # 2 mV, three tenths of the sag, and 12 % of what the mean load's lasting sag may have been.
        spread = math.sqrt(0.002**2 + (0.3 * sag) ** 2 + (0.12 * ten * told.load) ** 2)
        assert opening.error == pytest.approx(1.645 * spread, rel=0.01)
    assert sag > 0.03
    # The rows' times are the load's own already: no shift between the clocks counts a second time.
    apart = SimpleNamespace(**{**vars(FIT), "skew": FIT.skew + 1.0})
    moved = Rests(**{**vars(rests), "fit": apart})
    assert moved.opening() == rests.opening()
    assert moved.sag(times[:1] - 1.0) == pytest.approx(rests.sag(times[:1]))
    late = SimpleNamespace(**{**vars(FIT), "rows_kept": (times - 1e6, volts)})
    assert Rests(**{**vars(rests), "fit": late}).opening() is None


def test_iron_is_the_less_sure_and_a_capacity_is_guessed(looked):
    rests, _ = looked
    iron = find_rests(FIT, 12.0, "iron")
    assert iron.end[0].value == pytest.approx(rests.end[0].value)
    tail, told = abs(FIT.columns.loads(FIT.rows_kept[0][-1:], (500.0,))[0, 1]), iron.end[0].error
    steep = _steep(iron.charge, iron.voltage)[-1, 0]
    more = (tail / 3600 * steep) ** 2 * (200.0**2 - 70.0**2)
    wide, plain = (told / 0.85 / 1.645) ** 2, (rests.end[0].error / 0.75 / 1.645) ** 2
    assert wide - plain == pytest.approx(more, rel=1e-3)
    guess = find_rests(FIT, None)
    drawn = FIT.columns.drawn(FIT.rows_kept[0]) / 3600
    # A voltage that falls 0.9 V over all of the charge.
    assert guess.capacity == pytest.approx(
        0.9 * np.ptp(drawn) / np.median(FIT.rest_start - FIT.rest_end)
    )
    flat = SimpleNamespace(rest_start=np.array([3.3]), rest_end=np.array([3.3]))
    assert _guess(flat, np.array([0.0, 2.0])) == pytest.approx(0.9 * 2.0 / 0.01)
    assert _guess(flat, np.array([2.0, 2.0])) == 1e-3


def test_a_slow_resistance_below_nought_is_held_near_it(monkeypatch):
    # A voltage that comes up under a long load: the slow resistances come out below 0.
    times, volts = FIT.rows_kept
    slow = FIT.columns.loads(times, (500.0,))[:, 1:]
    odd = SimpleNamespace(**{**vars(FIT), "rows_kept": (times, volts + 0.02 * slow)})
    odd.columns = FIT.columns
    found = find_rests(odd, 12.0)
    ten = np.median(np.abs(FIT.ten))
    assert np.all(np.median(found._ohms[5:7], axis=1) > -0.25 * ten)
    monkeypatch.setattr(module, "SLOW_SPREAD", 0.03)
    assert np.all(np.median(find_rests(odd, 12.0)._ohms[5:7], axis=1) > -0.25 * ten)


def test_knots_hats_slopes_and_a_load_before():
    assert _knots(np.array([1.0, 4.0]), 10.0) == pytest.approx(np.linspace(1.0, 4.0, 26))
    assert _knots(np.array([4.0, 1.0]), 1.0) == pytest.approx(np.linspace(1.0, 4.0, 31))
    assert _knots(np.array([1.0, 1.02]), 10.0) == pytest.approx([1.0, 1.01, 1.02])
    assert _knots(np.array([2.0, 2.0]), 10.0) == pytest.approx([2.0, 2.0 + 5e-7, 2.0 + 1e-6])
    knots = np.array([1.0, 2.0, 3.0])
    found = _hats(np.array([0.0, 1.0, 1.25, 2.5, 3.0, 9.0]), knots)
    assert found == pytest.approx(
        np.array([[1, 0, 0], [1, 0, 0], [0.75, 0.25, 0], [0, 0.5, 0.5], [0, 0, 1], [0, 0, 1]])
    )
    assert np.isnan(_hats(np.array([np.nan]), knots)).any()
    charge = np.arange(10.0) * 2
    one, other = 4.0 - 0.1 * charge, 3.0 + 0.1 * charge
    assert _steep(charge, one) == pytest.approx(np.full(10, 0.1))
    assert _steep(charge, np.stack([one, other, one**2], axis=1))[:, 1] == pytest.approx(0.0)
    bent = np.where(charge < 10, 4.0, 4.0 - 0.3 * (charge - 10))
    sharp = np.where(charge < 1, 5.0, np.where(charge > 17, 3.0, 4.0))
    assert _steep(charge, sharp)[[0, 2, 3, 4, 6, 7, 9]] == pytest.approx(
        [1 / 6, 1 / 10, 1 / 12, 0.0, 1 / 12, 1 / 10, 1 / 6]
    )
    # Three knots on either side: at 10 Ah from 4 to 16 Ah, 1.8 V in 12 Ah.
    assert _steep(charge, bent)[5] == pytest.approx(0.15)
    assert _steep(charge, bent)[[0, 9]] == pytest.approx([0.0, 0.3])
    assert _before(np.array([7.0, 57.0])) == pytest.approx(
        -np.array([[1, 1, 1], [math.exp(-1), math.exp(-1 / 3), math.exp(-0.1)]])
    )


def test_what_is_a_cell_s_own_at_each_knot():
    hats = _hats(np.array([0.0, 0.5, 1.0, 2.0]), np.array([0.0, 1.0, 2.0]))
    chance = np.random.default_rng(6)
    residual = chance.normal(0, 0.01, (4, 3)) * np.array([1.0, 2.0, 5.0])
    resting = np.array([[4.0, 4.0, 4.0], [3.9, 3.95, 3.8], [3.92, 3.9, 3.96]])
    found = _astray(hats, resting, residual)
    for knot in range(3):
        square = [np.average(residual[:, cell] ** 2, weights=hats[:, knot]) for cell in range(3)]
        risen = [resting[knot, cell] - resting[: knot + 1, cell].min() for cell in range(3)]
        for cell in range(3):
            beside = max(square[cell] - np.median(square), 0.0)
            more = max(risen[cell] - np.median(risen), 0.0)
            assert found[knot, cell] == pytest.approx(math.hypot(math.sqrt(beside), more))
    assert found[2, 2] > 0.13  # which came up by 0.16 V, the middle one by 0.02 V
    # A knot that no row is near says nothing of its own.
    assert _astray(np.array([[1.0, 0.0]]), resting[:2], residual[:1])[1].max() < 0.2


# --- cells against each other ----------------------------------------------------------------


def test_what_is_believed_of_a_cell_before_the_ride():
    # ε usual 1.2 %, odd 12 %; the lag 0.8 % and 8 % of the capacity; an odd cell was full with the
    # others half the time, half the capacity before, give or take 0.3 of it.
    precisions, logs = _priors(20.0, 0.05)
    rows = [
        (size, since, lag, chance)
        for size, since, chance in ((0.012, 0, 0.95), (0.12, 0, 0.025), (0.12, 1, 0.025))
        for lag, chance in ((0.16, chance * 0.95), (1.6, chance * 0.05))
    ]
    assert len(precisions) == 6
    for (size, since, lag, chance), precision, log in zip(rows, precisions, logs, strict=True):
        told = np.array(
            [
                [size**2, since * 10.0 * size**2],
                [since * 10.0 * size**2, lag**2 + since * (10.0**2 + 6.0**2) * size**2],
            ]
        )
        assert np.linalg.inv(precision) == pytest.approx(told)
        assert log == pytest.approx(math.log(chance) - math.log(np.linalg.det(told)) / 2)


def plain_weigh(columns, apart, noise, priors):
    """Return shares, means and covariances by conditioning the joint normal of (ε, a) and V."""
    logs, means, covariances = [], [], []
    for precision, log in zip(*priors, strict=True):
        prior = np.linalg.inv(precision)
        whole = columns @ prior @ columns.T + noise
        chance = log + math.log(np.linalg.det(prior)) / 2
        logs.append(chance + stats.multivariate_normal(np.zeros(len(apart)), whole).logpdf(apart))
        gain = prior @ columns.T @ np.linalg.inv(whole)
        means.append(gain @ apart)
        covariances.append(prior - gain @ columns @ prior)
    share = np.exp(np.array(logs) - max(logs))
    return share / share.sum(), np.array(means), np.array(covariances)


def test_each_pairing_of_usual_and_odd_is_weighed_by_its_evidence():
    chance = np.random.default_rng(4)
    columns = chance.normal(size=(7, 2)) * np.array([0.4, 0.1])
    root = chance.normal(size=(7, 7)) * 0.004
    noise = root @ root.T + np.eye(7) * 1e-5
    apart = columns @ np.array([0.03, 0.4]) + chance.normal(0, 0.004, 7)
    priors = _priors(12.0, 0.1)
    found = _weigh(columns, apart, np.linalg.inv(noise), priors)
    for one, told in zip(found, plain_weigh(columns, apart, noise, priors), strict=True):
        assert one == pytest.approx(told, rel=1e-5, abs=1e-9)
    assert 0.01 < found[0].max() < 0.999


def belief() -> Unequal:
    shares = np.array([0.7, 0.3])
    means = np.array([[0.01, 0.1], [0.15, 1.2]])
    covariances = np.array([[[1e-4, 1e-4], [1e-4, 4e-2]], [[4e-4, -2e-3], [-2e-3, 9e-2]]])
    return _told(shares, means, covariances, 5.0, np.random.default_rng(3))


def test_what_is_told_of_a_cell_is_the_mixture():
    found = belief()
    assert found.draws.shape == (1200, 2)
    chance = np.random.default_rng(1)
    which = chance.random(200_000) < 0.7
    told = np.where(
        which[:, None],
        chance.multivariate_normal(found.means[0], found.covariances[0], 200_000),
        chance.multivariate_normal(found.means[1], found.covariances[1], 200_000),
    )
    for estimate, draws, near in (
        (found.size, 1 / (1 + told[:, 0]), 0.004),
        (found.lag, told[:, 1], 0.05),
        (found.behind, told @ np.array([5.0, 1.0]), 0.06),
    ):
        assert estimate.value == pytest.approx(np.median(draws), abs=near)
        wide = np.quantile(np.abs(draws - np.median(draws)), 0.9)
        assert estimate.error == pytest.approx(wide, rel=0.1)
    assert np.cov(found.draws.T) == pytest.approx(np.cov(told.T), rel=0.12)
    # In no order: the first half is as the second.
    assert found.draws[:600].mean(axis=0) == pytest.approx(found.draws[600:].mean(axis=0), abs=0.12)
    small = _told(
        np.ones(1), np.array([[-0.9, 0.0]]), np.eye(2)[None] * 1e-8, 1.0, np.random.default_rng(3)
    )
    assert small.size.value == pytest.approx(1 / 0.3)


def test_how_likely_a_cell_is_small_lags_or_is_behind():
    found = belief()
    parts = list(zip(found.shares, found.means, found.covariances, strict=True))

    def above(weights, limit):
        w = np.array(weights)
        return sum(p * stats.norm(m @ w, math.sqrt(w @ c @ w)).sf(limit) for p, m, c in parts)

    assert found.chance_smaller(0.1) == pytest.approx(above([1, 0], 1 / 0.9 - 1))
    assert found.chance_lagging(0.5) == pytest.approx(above([0, 1], 0.5))
    assert found.chance_behind(1.0, 4.0) == pytest.approx(above([4, 1], 1.0))


def test_the_slope_is_that_of_the_chord():
    charge = np.linspace(2.0, 12.0, 41)
    line, bow = 4.0 - 0.05 * charge, 4.0 - 0.01 * charge**2
    for shift in (np.zeros(41), np.full(41, 3.0), np.full(41, -3.0), np.full(41, 0.1)):
        assert _slope(charge, line, shift) == pytest.approx(np.full(41, -0.05))
    # x²: the chord's slope is the sum of its ends; at least a fifth of the ride, 2 Ah, counts.
    for shift, low, high in ((0.0, -1.0, 1.0), (3.0, 0.0, 3.0), (-4.0, -4.0, 0.0), (0.5, 0.0, 2.0)):
        found = _slope(charge, bow, np.full(41, shift))[18:22]
        told = -0.01 * (2 * charge[18:22] + low + high)
        assert found == pytest.approx(told, abs=2e-4)
    # Beyond its ends the curve goes on straight, as its last fifth does.
    first, last = ((bow[b] - bow[a]) / 2.0 for a, b in ((0, 8), (32, 40)))
    assert _on(charge, bow, np.array([0.0, 15.0])) == pytest.approx(
        [bow[0] - 2.0 * first, bow[-1] + 3.0 * last]
    )
    assert _on(charge[:3], line[:3], np.array([1.0, 3.0])) == pytest.approx([3.95, 3.85])


def compared(lag=0.6, size=0.93, count=5, knots=21):
    """Rests of cells of which the third lacks charge and the fourth is small."""
    charge = np.linspace(0.3, 6.3, knots)

    def curve(drawn):
        return 4.0 - 0.08 * drawn - 0.006 * drawn**2

    cells = [curve(charge - 0.3) for _ in range(count)]
    if count > 3:
        cells[2] = curve(charge - 0.3 + lag)
        cells[3] = curve((charge - 0.3) / size)
    chance = np.random.default_rng(5)
    root = chance.normal(size=(knots, knots)) * 2e-4
    return SimpleNamespace(
        keys=tuple(f"cell_voltage_{n}" for n in range(1, count + 1)),
        charge=charge,
        voltage=np.stack(cells, axis=1) + chance.normal(0, 4e-4, (knots, count)),
        apart=root @ root.T + np.eye(knots) * 1e-6,
        ten=tuple(Estimate(0.005 + 0.001 * (n == 2), 0.0005) for n in range(count)),
        load=25.0,
        capacity=14.0,
        drawn=(0.3, 6.3),
    )


def test_cells_are_compared_as_the_plain_sums_have_it():
    rests = compared()
    found = compare_cells(rests)
    assert found is not None and len(found) == 5
    charge = rests.charge - 0.3
    middle = np.median(rests.voltage, axis=1)
    priors = _priors(14.0, 0.1)  # 0.8 of 5 cells, at most a tenth
    for at, one in enumerate(found):
        apart = rests.voltage[:, at] - middle
        # A reading may be off against the others' all along; a difference in sag may pass for rest.
        noise = rests.apart + np.eye(21) * 0.0015**2 / 4 + 0.0015**2
        noise = noise + (0.02 * abs(rests.ten[at].value - 0.005) * 25.0) ** 2
        mean = np.zeros(2)
        for _ in range(4):
            shift = mean[0] * charge + mean[1]
            wide = np.maximum(shift, 1e-9)
            outside = np.clip((charge + shift - charge[-1]) / wide, 0.0, None)
            outside = np.minimum(outside, 1.0)
            whole = noise + np.diag(((0.15 + 0.6 * outside) * apart) ** 2)
            slope = _slope(charge, middle, shift)
            columns = np.stack([slope * charge, slope], axis=1)
            shares, means, covariances = plain_weigh(columns, apart, whole, priors)
            mean = shares @ means
            left = apart - columns @ mean
            misfit = left @ np.linalg.inv(whole) @ left / 21
            if misfit > 1:
                shares, means, covariances = plain_weigh(columns, apart, whole * misfit, priors)
                mean = shares @ means
        assert one.shares == pytest.approx(shares, abs=1e-4)
        assert one.means == pytest.approx(means, abs=1e-5)
        assert one.covariances == pytest.approx(covariances, rel=1e-3, abs=1e-9)
    assert found[2].lag.value == pytest.approx(0.6, abs=0.12)
    assert found[3].size.value == pytest.approx(0.93, abs=0.02)
    # At the end: what it lacked, and ε of the 6 Ah drawn.
    assert found[3].behind.value == pytest.approx(6.0 * (1 / 0.93 - 1), abs=0.12)


def test_a_misfit_makes_both_the_less_sure():
    rests = compared()
    rests.voltage[:, 1] += 0.01 * np.sin(rests.charge * 4)
    assert np.trace(compare_cells(rests)[1].covariances[0]) > 1.2 * np.trace(
        compare_cells(compared())[1].covariances[0]
    )


def test_two_cells_or_no_charge_are_not_compared():
    assert compare_cells(compared(count=2)) is None
    assert compare_cells(compared(count=3)) is not None
    still = compared()
    still.charge = np.linspace(0.3, 0.3 + 0.0139, 21)
    assert compare_cells(still) is None
    still.charge = np.linspace(0.3, 0.3 + 0.0141, 21)
    assert compare_cells(still) is not None


# --- what a cell lacks, and the family of curves ---------------------------------------------


def test_the_missing_volts_are_shared_out():
    rests = SimpleNamespace(
        keys=("a", "b", "c"),
        at=lambda when: (np.array([[3.9, 3.8, 3.6]]) + when[:, None] * 0, when * 0),
        sag=lambda when: np.array([[0.1, 0.2, 0.25]]) + when[:, None] * 0,
        step=[Estimate(ohms, 0.001) for ohms in (0.003, 0.004, 0.005)],
        ten=[Estimate(ohms, 0.001) for ohms in (0.005, 0.006, 0.007)],
    )
    found = missing_voltage(rests, 5.0, "c", 4.2)
    assert found == MissingVoltage(
        4.2, pytest.approx(0.4), pytest.approx(0.2), pytest.approx(0.2), pytest.approx(0.05)
    )
    assert found.total == pytest.approx(0.85)
    assert found.words("a full cell", 3.38) == (
        "Of the 0.85 V below a full cell (4.20 V): 0.40 V the charge used, 0.20 V this cell's "
        "lower charge, 0.20 V the load on a sound cell, 0.05 V this cell's extra resistance."
    )
    # What the cell showed beyond all that is told; shares that come to more than that are not its.
    assert found.words("a full cell", 3.2).startswith("Of the 1.00 V below a full cell (4.20 V): ")
    assert found.words("a full cell", 3.2).endswith(", 0.15 V that none of these explains.")
    assert found.words("a full cell", 3.5) == ""
    # No stiffer than the others at once and after 10 s: what the load takes more is no resistance.
    assert missing_voltage(rests, 5.0, "a", 4.2).behind == pytest.approx(-0.1)
    assert missing_voltage(rests, 5.0, "a", 4.2).extra == 0.0
    rests.step[2], rests.ten[2] = Estimate(0.002, 0.001), Estimate(0.004, 0.001)
    again = missing_voltage(rests, 5.0, "c", 4.2)
    assert (again.load, again.extra, again.total) == (0.25, 0.0, pytest.approx(0.85))
    assert MissingVoltage(4.2, 0.01, 0.009, -0.3, 0.0).words("x", 4.48) == (
        "Of the -0.28 V below x (4.20 V): 0.01 V the charge used."
    )
    assert MissingVoltage(4.2, 0.001, 0.002, 0.009, 0.0).words("x", 4.188) == ""
    assert missing_voltage(rests, math.nan, "a", 4.2) is None


def test_a_value_and_its_interval():
    one = Estimate(5.0, 0.5)
    assert (one.low, one.high) == (4.5, 5.5)
    assert of_draws(np.array([1.0, 2.0, 3.0, 4.0, 100.0])).value == 3.0


def test_a_curve_on_the_grid_goes_on_straight():
    volts = tuple(3.0 + 0.8 * charge for charge in CHARGES)
    found = on_grid(Curve("straight", "nickel", volts))
    told = 3.0 + 0.8 * GRID + 1e-5 * np.arange(219)
    assert found == pytest.approx(told)
    assert (GRID[0], GRID[-1], len(GRID)) == (-0.03, pytest.approx(1.06), 219)
    flat = on_grid(Curve("flat", "iron", (3.3,) * len(CHARGES)))
    assert np.all(np.diff(flat) > 0)
    assert flat[-1] - 3.3 == pytest.approx(0.5 * 0.06 + 218e-5)  # half a volt at the least, above
    assert flat[0] == pytest.approx(3.3)
    steep = on_grid(Curve("steep", "iron", (2.0, *(3.0 for _ in CHARGES[2:]), 3.6)))
    width = CHARGES[1] - CHARGES[0]
    assert steep[0] == pytest.approx(2.0 - 0.03 * 1.0 / width)
    assert steep[-1] == pytest.approx(3.6 + 0.06 * 0.6 / (CHARGES[-1] - CHARGES[-2]) + 218e-5)
    for curve in CURVES:
        assert np.all(np.diff(on_grid(curve)) > 0)  # a voltage has one charge


ALL = {"nickel": 1.0, "aluminium": 1.0, "cobalt": 1.0}


@pytest.mark.parametrize(
    ("word", "full", "highest", "kinds"),
    [
        # The trade's names: NMC and NCM nickel-manganese-cobalt, NCA with aluminium, LCO and ICR
        # cobalt oxide, INR either with nickel (IEC 60086's letters for round cells), LFP iron.
        ("LFP", None, 4.1, {"iron": 1.0}),
        ("LiFePO4", 4.2, 4.1, {"iron": 1.0}),
        ("lithium iron", None, 3.0, {"iron": 1.0}),
        (None, 3.79, 3.69, {"iron": 1.0}),
        (None, 3.8, 3.69, ALL),
        (None, 3.79, 3.7, ALL),
        (None, None, 3.3, ALL),
        ("NMC", 4.2, 4.0, {"nickel": 1.0, "aluminium": 0.15, "cobalt": 0.15}),
        ("ncm 811", 4.2, 4.0, {"nickel": 1.0, "aluminium": 0.15, "cobalt": 0.15}),
        ("NCA", 4.2, 4.0, {"nickel": 0.15, "aluminium": 1.0, "cobalt": 0.15}),
        ("LCO", 4.2, 4.0, {"nickel": 0.15, "aluminium": 0.15, "cobalt": 1.0}),
        ("Cobalt oxide", 4.2, 4.0, {"nickel": 0.15, "aluminium": 0.15, "cobalt": 1.0}),
        ("ICR18650", 4.2, 4.0, {"nickel": 0.15, "aluminium": 0.15, "cobalt": 1.0}),
        ("INR21700", 4.2, 4.0, {"nickel": 1.0, "aluminium": 1.0, "cobalt": 0.15}),
        ("nickel rich", 4.2, 4.0, {"nickel": 1.0, "aluminium": 1.0, "cobalt": 0.15}),
        ("INR, NCA", 4.2, 4.0, {"nickel": 0.15, "aluminium": 1.0, "cobalt": 0.15}),
        ("li-ion", 4.2, 4.0, ALL),
        ("NMC or NCA or LCO", 4.2, 4.0, ALL),
    ],
)
def test_the_kinds_that_words_and_voltages_leave(word, full, highest, kinds):
    assert kinds_of(word, full, highest) == kinds
    text = 'name = "k"\n[battery]\njoined = "series"\n' + (f"cell_full = {full}\n" if full else "")
    text += '[[battery.units]]\nname = "a"\nseries = 3\nparallel = 1\n'
    text += '[[battery.units]]\nname = "b"\nseries = 3\nparallel = 1\n'
    if word:
        text += f'chemistry = "{word}"\n'
    battery = read_board_file(text, "b").battery
    assert chemistry_of(battery) == word
    assert kind_of(battery, highest) == (next(iter(kinds)) if len(kinds) == 1 else "")


def test_without_a_board_file_any_kind_is_left():
    assert chemistry_of(None) is None
    assert kind_of(None, 3.3) == ""


# --- the rests within a ride -----------------------------------------------------------------


def resting(celsius=True, hole=(), start=10.0, ohms=0.01):
    """Stand, ride 360 s at 20 and 24 A, stand 200 s, ride 180 s at 10 A, stand 100 s; a reading
    each second.

    After a load the voltage creeps as √(t + T) − √t (Crank, The Mathematics of Diffusion).
    """
    parts = ((start, 0.2), (360.0, 20.0), (200.0, 0.0), (180.0, 10.0), (100.0, -0.4))
    value = np.concatenate([np.full(int(seconds), amperes) for seconds, amperes in parts])
    value[int(start) : int(start) + 360] += np.arange(360) // 30 % 2 * 4.0
    time = np.arange(float(len(value)))
    edges = np.cumsum([0, *(int(seconds) for seconds, _ in parts)])
    drawn = np.cumsum((value + np.r_[value[0], value[:-1]]) / 2 * np.r_[0.0, np.diff(time)]) / 3600
    rest = 4.0 - 0.05 * drawn
    volts = rest - ohms * value
    for number in (2, 4):
        here = np.arange(edges[number], edges[number + 1])
        since, before = time[here] - time[here[0]], time[here[0]] - time[0]
        volts[here] -= 0.002 * (np.sqrt(since + before) - np.sqrt(since))
    streams = {
        channel("battery_current", "A"): value,
        channel("cell_voltage", "V", 1, exponent=-6): volts,
        channel("cell_voltage", "V", 2, exponent=-6): volts - 0.1,
    }
    if celsius:
        streams[channel("battery_temperature", "°C")] = 20.0 + time / 100
    made = make_ride(make_stream("all", time, streams, hole))
    return made, PackSpan(1, 0.0, made.duration), drawn, rest


def test_each_rest_tells_its_voltage_and_the_charge_between():
    made, span, drawn, rest = resting()
    points = rest_points(made, span)
    assert [point.time for point in points] == pytest.approx([9.0, 569.0, 849.0])
    assert [point.rested for point in points] == pytest.approx([9.0, 199.0, 99.0])
    ends = [9, 569, 849]
    for point, end in zip(points, ends, strict=True):
        assert point.charge == pytest.approx(drawn[end] - drawn[9], abs=1e-9)
        for cell, volts in enumerate(point.voltages):
            assert volts == pytest.approx(rest[end] - 0.1 * cell, abs=point.error)
            assert volts == pytest.approx(rest[end] - 0.1 * cell, abs=0.02)
        middle = end - point.rested / 2
        assert point.temperature == pytest.approx(20.0 + middle / 100, abs=1e-3)
    # 1.5 % of the charge and 0.08 A (90 %) of the time since the first rest.
    assert [point.charge_error for point in points] == pytest.approx(
        [
            0.08 * 9.0 / 3600,
            0.015 * points[1].charge + 0.08 * (569.0 - 9.0) / 3600,
            0.015 * points[2].charge + 0.08 * (849.0 - 9.0) / 3600,
        ]
    )
    # The first of a ride may be any time after a load: 0.05 V more.
    assert 0.05 < points[0].error < 0.053 and max(p.error for p in points[1:]) < 0.025
    assert rest_points(resting(celsius=False)[0], span)[1].temperature is None


def test_the_creep_is_drawn_on_halfway_to_its_end():
    made, span, _, rest = resting(ohms=0.0)
    point = rest_points(made, span)[1]
    # By hand: the last tenth of the rest, 20 s, is 0.002·(√(t+T) − √t) below V∞; told is halfway.
    time, before = np.arange(179.0, 199.0), 370.0
    last = rest[569] - 0.002 * np.mean(np.sqrt(time + before) - np.sqrt(time))
    assert point.voltages[0] == pytest.approx((rest[569] + last) / 2, abs=5e-4)
    assert point.error == pytest.approx((rest[569] - last) / 2, abs=1.5e-3)


def test_what_flows_at_rest_is_allowed_for():
    made, span, _, _ = resting(ohms=0.0)
    held, _, _, _ = resting(ohms=0.05)
    # 0.4 A of charging through 50 mΩ: 20 mV above rest, taken off again, half of it in doubt.
    plain, told = rest_points(made, span)[2], rest_points(held, span)[2]
    assert told.voltages[0] == pytest.approx(plain.voltages[0], abs=1e-3)
    assert told.error == pytest.approx(plain.error + 0.05 * 0.4 / 2, rel=0.1)


def test_short_rests_tell_nothing_but_at_the_start():
    made, span, _, _ = resting(start=5.0)
    assert rest_points(made, span)[0].time == 4.0
    made, span, _, _ = resting(start=3.0)
    points = rest_points(made, span)
    assert points[0].time == pytest.approx(562.0)
    assert points[0].error < 0.025 and points[0].charge == 0.0  # a load went before: known
    # What was not known before the first rest leaves nothing in doubt behind it.
    made, span, _, _ = resting(hole=(3,))
    points = rest_points(made, span)
    assert [point.time for point in points] == pytest.approx([569.0, 849.0])
    since = 849.0 - points[0].rested
    told = 0.015 * points[1].charge + 0.08 * since / 3600
    assert points[1].charge_error == pytest.approx(told)


def test_a_hole_in_the_current_ends_a_rest_and_leaves_charge_in_doubt():
    made, span, _, _ = resting(hole=(300,))
    sound = rest_points(resting()[0], span)
    points = rest_points(made, span)
    # The step of one second before the sample is not known: up to 24 A all through it.
    assert [p.charge for p in points] == pytest.approx([p.charge for p in sound])
    assert points[1].charge_error - sound[1].charge_error == pytest.approx(24.0 / 3600)
    made, span, _, _ = resting(hole=(450,))
    assert [p.time for p in rest_points(made, span)] == pytest.approx([9.0, 449.0, 569.0, 849.0])
    assert [p.rested for p in rest_points(made, span)][1:3] == pytest.approx([79.0, 119.0])
    made, span, _, _ = resting(hole=range(20, 600))
    assert [p.time for p in rest_points(made, span)] == [
        9.0
    ]  # of the charge less is known than not


def test_a_rest_is_told_by_its_last_tenth_and_no_finer_than_the_reading():
    # By hand: no creep, ten readings at 4.000 and then 4.010 V: half a step of doubt, and 0.5 mV.
    time = np.arange(0.0, 45.0)
    amperes = Series(time, np.zeros(45), np.zeros(45, bool))
    value = np.where(np.arange(45) % 2, 4.01, 4.0)
    found = _rest(Series(time, value, amperes.gap), 0.0, 44.0, 0.0)
    assert found == (pytest.approx(np.mean(value[34:])), pytest.approx(0.01 / 2 + 0.0005))
    assert _rest(Series(time[:4], value[:4], amperes.gap[:4]), 0.0, 3.0, 0.0) is None
    assert _rest(Series(time[:5], value[:5], amperes.gap[:5]), 0.0, 4.0, 0.0) is not None


def test_what_scatters_is_the_surer_the_more_of_it_was_read():
    # By hand: ± 5 mV in turn have no slope and a spread of 5 mV, of which the last 10 of 100 s hold
    # eleven readings; half a step of 10 mV and 0.5 mV for how finely they come.
    time = np.arange(0.0, 101.0)
    value = 4.0 + 0.005 * np.where(np.arange(101) % 2, 1.0, -1.0)
    _, error = _rest(Series(time, value, np.zeros(101, bool)), 0.0, 100.0, 600.0)
    assert error == pytest.approx(1.645 * 0.005 / math.sqrt(11) + 0.005 + 0.0005, abs=5e-4)
    # A rest of 50 s is none, however late it comes, but at the very start.
    late = Series(time + 900.0, value, np.zeros(101, bool))
    _, plain = _rest(late, 900.0, 950.0, 600.0)
    assert plain == pytest.approx(0.005 + 0.0005)


def test_a_rest_that_no_cell_was_read_in_is_passed_over():
    made, span, _, _ = resting()
    stream = made.streams["all"]
    amperes = {channel("battery_current", "A"): made["battery_current"].to_numpy()}
    read = np.flatnonzero((stream.time < 370.0) | (stream.time > 575.0))
    cell = {channel("cell_voltage", "V", 1, exponent=-6): made["cell_voltage_1"].to_numpy()[read]}
    apart = make_ride(
        make_stream("amperes", stream.time, amperes),
        make_stream("cells", stream.time[read], cell),
    )
    assert [point.time for point in rest_points(apart, span)] == pytest.approx([9.0, 849.0])


def test_an_inverse_is_had_where_there_is_none():
    """Moore and Penrose's (A·A⁺·A = A; textbook), scaled so that units do not matter."""
    plain = np.array([[4.0, 1.0], [1.0, 3.0]])
    assert module._inverse(plain) == pytest.approx(np.linalg.inv(plain))
    for none in (np.array([[4.0, 2.0], [2.0, 1.0]]), np.array([[1e-6, 1e-3], [1e-3, 1.0]])):
        found = module._inverse(none)
        assert none @ found @ none == pytest.approx(none)
        scale = 1 / np.sqrt(np.diag(none))
        assert found == pytest.approx(np.outer(scale, scale) / 4)


def test_without_current_or_cells_there_is_no_rest():
    made, span, _, _ = resting()
    stream = made.streams["all"]
    time = stream.time
    only = make_ride(make_stream("a", time, {channel("battery_current", "A"): time * 0}))
    assert rest_points(only, span) == ()
    cells = make_ride(make_stream("a", time, {channel("cell_voltage", "V", 1): time * 0 + 3.9}))
    assert rest_points(cells, span) == ()
    assert rest_points(made, PackSpan(1, 0.0, 9.0)) == ()
    first = rest_points(made, PackSpan(2, 300.0, made.duration))
    assert first[0].time == pytest.approx(569.0) and first[0].charge == 0.0
