"""The weighing of charge, worked out a second time and plainly.

The references share nothing with the module but its stated constants: normal densities and normal
conditioning are SciPy's and NumPy's general ones (Bishop, Pattern Recognition and Machine Learning,
§2.3; Rasmussen & Williams, Gaussian Processes for Machine Learning, eq. 2.23–2.24), one
combination after the other, with straight lines by ``numpy.interp``.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from sagline_analyser.findings.belief import charge as module
from sagline_analyser.findings.belief.charge import (
    Charge,
    _amplitudes,
    _fit,
    _learn,
    _nodes,
    _not_above,
    _share,
    _size_prior,
    _start_prior,
    _usable,
    _within,
    find_charge,
)
from sagline_analyser.findings.belief.curves import (
    CURVES,
    GRID,
    kinds_of,
    on_grid,
    shares_of_kinds,
)
from sagline_analyser.findings.belief.estimate import NORMAL, Estimate
from sagline_analyser.findings.belief.history import PackHistory, RestPoint, RideRests
from sagline_logger.format import read_board_file
from support.late import late

stats = late("scipy.stats")

NICKEL = [on_grid(curve) for curve in CURVES if curve.kind == "nickel"][:2]
IRON = next(on_grid(curve) for curve in CURVES if curve.kind == "iron")


def alike(a: float, b: float) -> float:
    """Squared-exponential covariance of length 0.15 (Rasmussen & Williams, eq. 4.9)."""
    return float(np.exp(-((a - b) ** 2) / (2 * 0.15**2)))


def below(place: float, values: np.ndarray) -> float:
    """Return the value at the last place of GRID that is not above ``place``, or at its first."""
    return float(values[max(int(np.sum(place + 1e-12 >= GRID)) - 1, 0)])


def weigh(charge, voltage, covariance, curve, above, under, level, capacity, start) -> float:
    """Return the log density of the voltages for one curve, capacity and start."""
    places = start - charge / capacity
    expected = np.interp(places, GRID, curve)
    spread = [
        below(place, above if v > e else under)
        for place, v, e in zip(places, voltage, expected, strict=True)
    ]
    error = np.array(
        [
            [a * b * alike(x, y) for b, y in zip(spread, places, strict=True)]
            for a, x in zip(spread, places, strict=True)
        ]
    )
    whole = error + covariance + level**2
    count = len(charge)
    return float(
        stats.multivariate_normal(expected, whole).logpdf(voltage) + count / 2 * np.log(2 * np.pi)
    )


@pytest.fixture
def case():
    """A grid of two curves, three sizes and five starts, and four rests."""
    chance = np.random.default_rng(11)
    charge = np.array([0.0, 1.1, 2.3, 4.2])
    curves = np.repeat(np.array(NICKEL)[:, None, :], 3, axis=1)
    curves = curves + np.linspace(0.0, 0.05, 3)[None, :, None] * (GRID - GRID[0])
    spread = chance.uniform(0.01, 0.05, (2, 2, 3, len(GRID)))
    root = chance.normal(size=(4, 4)) * 0.004
    return SimpleNamespace(
        charge=charge,
        voltage=np.array([4.02, 3.95, 3.80, 3.66]),
        covariance=root @ root.T + np.eye(4) * 1e-4,
        curves=curves,
        spread=spread,
        level=np.array([0.0, 0.03]),
        sizes=np.array([[8.0, 10.0, 12.0], [8.5, 10.5, 12.5]]),
        start=np.array([0.5013, 0.7132, 0.8821, 0.9714, 1.0423]),
        top=np.array([1.0, 0.9]),
    )


def test_each_combination_is_weighed_by_the_normal_density(case):
    found = _fit(
        case.charge,
        case.voltage,
        case.covariance,
        case.curves,
        case.spread,
        case.level,
        case.sizes,
        case.start,
    )
    assert found.shape == (2, 3, 5)
    for which in range(2):
        for size in range(3):
            for at, start in enumerate(case.start):
                told = weigh(
                    case.charge,
                    case.voltage,
                    case.covariance,
                    case.curves[which, size],
                    case.spread[0, which, size],
                    case.spread[1, which, size],
                    case.level[which],
                    case.sizes[which, size],
                    start,
                )
                assert found[which, size, at] == pytest.approx(told, abs=2e-3, rel=1e-4)


def test_a_place_beyond_the_grid_is_its_end(case):
    found = _fit(
        np.array([0.0]),
        np.array([3.0]),
        np.eye(1) * 0.01,
        case.curves,
        case.spread * 0,
        case.level * 0,
        case.sizes,
        np.array([-0.5, 1.5]),
    )
    for at, end in ((0, 0), (1, -1)):
        told = stats.norm(case.curves[1, 2, end], 0.1).logpdf(3.0) + np.log(2 * np.pi) / 2
        assert found[1, 2, at] == pytest.approx(told, rel=2e-3)


def ride_of(case) -> RideRests:
    errors = (0.0005, 0.01, 0.02, 0.03)
    points = tuple(
        RestPoint(0.0, float(q), 0.0, (float(v) - 0.1, float(v), float(v) + 0.2), error, 60.0)
        for q, v, error in zip(case.charge, case.voltage, errors, strict=True)
    )
    return RideRests("before", None, points)


def test_an_earlier_ride_bends_the_curves_as_conditioning_does(case):
    curves, spread = case.curves.copy(), case.spread.copy()
    found = _learn(ride_of(case), curves, spread, case.level, case.sizes, case.start, case.top)
    noise = np.maximum(np.array([0.0005, 0.01, 0.02, 0.03]) / 1.645, 0.002) ** 2
    for which, size in ((0, 0), (0, 2), (1, 1)):
        curve, level = case.curves[which, size], case.level[which]
        capacity = case.sizes[which, size]
        logs = np.array(
            [
                weigh(
                    case.charge,
                    case.voltage,
                    np.diag(noise),
                    curve,
                    case.spread[0, which, size],
                    case.spread[1, which, size],
                    level,
                    capacity,
                    start,
                )
                for start in case.start
            ]
        )
        logs[case.start > case.top[which] + 0.02] = -np.inf
        part = np.exp(logs - logs.max())
        told = logs.max() + np.log(part.mean())
        assert found[which, size] == pytest.approx(told, abs=5e-3)
        part /= part.sum()
        mean = float(part @ case.start)
        doubt = float(part @ (case.start - mean) ** 2)
        # Joint normal of the curve's error at the rests and on the grid, conditioned.
        own = case.spread[:, which, size].mean(axis=0)
        at = case.start[int(np.argmax(logs))] - case.charge / capacity
        amplitude, slope = (np.interp(at, GRID, one) for one in (own, np.gradient(curve, GRID)))
        places = np.r_[at, GRID]
        size_of = np.r_[amplitude, own]
        joint = np.array([[alike(x, y) for y in places] for x in places])
        joint = joint * size_of[:, None] * size_of[None, :] + level**2
        seen = joint[:4, :4] + np.diag(noise) + doubt * slope[:, None] * slope[None, :]
        shift = joint[4:, :4] @ np.linalg.inv(seen) @ (case.voltage - np.interp(at, GRID, curve))
        bent = np.maximum.accumulate(curve + shift)
        assert curves[which, size] == pytest.approx(bent, abs=3e-4)
        assert np.all(np.diff(curves[which, size]) >= 0.99e-6)  # a voltage has one charge
        left = np.diag(joint[4:, 4:] - joint[4:, :4] @ np.linalg.inv(seen) @ joint[:4, 4:])
        assert spread[0, which, size] == pytest.approx(
            np.sqrt(np.maximum(left, 0.003**2)), rel=1e-4
        )
        assert spread[1, which, size] == pytest.approx(spread[0, which, size])


def test_a_ride_tells_something_only_of_as_many_cells_and_of_charge_drawn(case):
    ride, rests = ride_of(case), SimpleNamespace(keys=("a", "b", "c"))
    assert _usable(ride, rests, 1)
    assert not _usable(ride, rests, 2)
    assert not _usable(ride, SimpleNamespace(keys=("a", "b")), 1)
    assert _usable(RideRests("r", None, ride.points[:2]), rests, 1)
    assert not _usable(RideRests("r", None, ride.points[:1]), rests, 1)


def test_how_far_a_curve_may_be_wrong():
    # What a shift of 0.03 along the curve makes, with 0.050 V (iron: 0.020 V), at a full end a
    # quarter of it, and 0.3 V at the most; three tenths of all for the very make.
    curves = np.array([NICKEL[0], IRON])
    found = _amplitudes(curves, ["nickel", "iron"], np.array([[1.0], [0.3]]))
    assert found.shape == (2, 2, len(GRID))
    for row, (mismatch, near) in enumerate(((0.050, 1.0), (0.020, 0.3))):
        for sign in (0, 1):
            for at in range(0, len(GRID), 3):
                moved = np.interp(GRID[at] + (0.03, -0.03)[sign] * near, GRID, curves[row])
                pinned = max(np.sqrt(1 - alike(GRID[at], 1.0) ** 2), 0.25)
                told = np.hypot(mismatch * near, moved - curves[row, at]) * pinned
                assert found[sign, row, at] == pytest.approx(min(told, 0.3), rel=1e-9)
    steep = np.linspace(0.0, 40.0, len(GRID))[None, :]
    assert _amplitudes(steep, ["nickel"], np.array([[1.0]]))[0, 0, 100] == 0.3


def test_the_capacity_before_the_ride_is_looked_at():
    # Mixture of 0.8 of N(−0.03, 0.045) and 0.2 of N(−0.03, 0.12) in the logarithm; without a
    # stated one N(0, 0.7).
    steps = np.linspace(-0.6, 0.3, 19)
    mixture = 0.8 * stats.norm(-0.03, 0.045).pdf(steps) + 0.2 * stats.norm(-0.03, 0.12).pdf(steps)
    told = np.log(mixture * np.sqrt(2 * np.pi))
    assert _size_prior(steps, 5.0) == pytest.approx(told)
    alone = stats.norm(0.0, 0.7).logpdf(steps) - stats.norm(0.0, 0.7).logpdf(0.0)
    assert _size_prior(steps, None) == pytest.approx(alone)


def test_the_start_before_the_ride_is_looked_at():
    # A quarter of the rides within 0.04 of full, else anywhere in 1; said to be full, normal with
    # 0.011 about 0.014 below it, and untrue in 2 %.
    away = np.array([-1.0, -0.2, -0.05, -0.04, -0.039, 0.0, 0.03, 0.04, 0.05])
    near = np.array([0, 0, 0, 0, 1, 1, 1, 0, 0])
    assert np.exp(_start_prior(away, False)) == pytest.approx(0.75 + 0.25 * near / 0.08)
    told = 0.98 * stats.norm(-0.014, 0.011).pdf(away) + 0.02
    assert np.exp(_start_prior(away, True)) == pytest.approx(told, rel=5e-3)


def test_a_first_reading_above_a_plateau_counts_against_it():
    opening, start = Estimate(10.2, 0.0329), np.array([0.3, 0.9])
    curves, level = np.array([IRON, NICKEL[0]]), np.array([0.03, 0.0])
    ways = np.array([np.full_like(curves, 0.01), np.full_like(curves, 5.0)])
    ways[0, :, 150:] = 0.02
    found = _not_above(opening, 3, curves, ways, level, start)
    assert found.shape == (2, 1, 2)
    for which in range(2):
        for at, place in enumerate(start):
            above = max(3.4 - np.interp(place, GRID, curves[which]), 0.0)
            wide = np.interp(place, GRID, ways[0, which])
            square = (0.02 / 3) ** 2 + wide**2 + level[which] ** 2  # 0.0329 / 1.645 = 0.02
            assert found[which, 0, at] == pytest.approx(-(above**2) / square / 2)
    assert found[0, 0, 0] < -1 and found[1, 0, 1] == 0.0


def rests_of(count=25, cells=1, opening=None, load=20.0, rising=0.0, error=0.05):
    """Rests of three voltages that fall, with a covariance that is no multiple of another."""
    chance = np.random.default_rng(2)
    charge = np.linspace(0.5, 4.5, count)
    middle = (4.0 - 0.1 * (charge - 0.5) - 0.01 * (charge - 0.5) ** 2) * cells
    middle[count // 2 :] += rising
    root = chance.normal(size=(count, count)) * 1e-3
    return SimpleNamespace(
        keys=("a", "b", "c"),
        charge=charge,
        voltage=np.stack([middle - 0.02, middle, middle + 0.07], axis=1),
        covariance=root @ root.T + np.diag(np.linspace(1, 3, count)) * 1e-5,
        end=tuple(Estimate(3.0, e) for e in (0.9 * error, error, 3 * error)),
        drawn=(0.5, 4.5),
        load=load,
        capacity=11.0,
        opening=lambda: opening,
    )


@pytest.mark.parametrize("cells", [1, 3])
def test_rests_along_the_ride_and_what_they_share(cells):
    rests = rests_of(cells=cells)
    middle = np.median(rests.voltage, axis=1) / cells
    charge, voltage, covariance = _nodes(rests, middle, cells, False)
    pick = [0, 3, 6, 9, 12, 15, 18, 21, 24]  # nine, evenly
    assert charge == pytest.approx(rests.charge[pick] - 0.5)
    assert voltage == pytest.approx(middle[pick])
    own = rests.covariance[np.ix_(pick, pick)] / cells**2
    slow = max((0.05 / 1.645 / cells) ** 2 - own[-1, -1], 0.0)
    for i in range(9):
        for j in range(9):
            ramp = min(1.0, i / 4) * min(1.0, j / 4)  # from nothing to all at the ride's half
            told = (own[i, j] + slow * ramp) * 1.5**2 + (0.004**2 if i == j else 0.0)
            assert covariance[i, j] == pytest.approx(told, rel=1e-9, abs=1e-15)


def test_few_rests_are_taken_as_they_are():
    rests = rests_of(count=4, error=0.0)
    charge, voltage, covariance = _nodes(rests, np.median(rests.voltage, axis=1), 1, False)
    assert len(charge) == len(voltage) == 4
    assert covariance == pytest.approx(rests.covariance * 1.5**2 + np.eye(4) * 0.004**2)


@pytest.mark.parametrize("opening", [None, Estimate(4.31, 0.009), Estimate(4.31, 9.0)])
def test_rests_of_cells_with_a_plateau_know_two_things_more(opening):
    rests = rests_of(opening=opening, rising=0.08)
    middle = np.median(rests.voltage, axis=1)
    charge, voltage, covariance = _nodes(rests, middle, 1, True)
    _, _, plain = _nodes(rests, middle, 1, False)
    pick = [0, 3, 6, 9, 12, 15, 18, 21, 24]
    falls = np.maximum(-np.gradient(middle, rests.charge), 0.0)[pick]
    risen = max(middle[j] - middle[: j + 1].min() for j in range(len(middle)))
    assert risen > 0.02
    told = plain.copy()
    for i in range(9):
        for j in range(9):
            # 300 s of the mean load, all of it from a quarter of the ride on.
            under = min(1.0, i / 2) * min(1.0, j / 2) * (300 * 20.0 / 3600) ** 2
            apart = (charge[i] - charge[j]) / (charge[-1] - charge[0])
            told[i, j] += under * falls[i] * falls[j]
            told[i, j] += risen**2 * np.exp(-(apart**2) / (2 * 0.25**2))
    if opening is not None and opening.error < 1:
        told[0, :] = told[:, 0] = 0.0
        told[0, 0] = (0.009 / 1.645) ** 2 + 0.004**2
        assert voltage[0] == 4.31
    else:
        assert voltage[0] == middle[0]
    assert voltage[1:] == pytest.approx(middle[pick][1:])
    assert covariance == pytest.approx(told, rel=1e-9, abs=1e-15)


def set_out(away, said_full, gone):
    """Return how likely a start is before the voltages: 1.4 ± 1.1 points below full, and further by
    what may have gone, exponentially distributed; that it is untrue 1 time in 50."""
    if not said_full:
        return float(_start_prior(np.array([away]), False)[0])
    even = (np.arange(4000) + 0.5) / 4000
    lost = 0.014 - gone * np.log(even)
    near = np.mean(np.exp(-(((away + lost) / 0.011) ** 2) / 2)) / 0.011 / 2.5
    return float(np.log(0.98 * near + 0.02))


def enumerate_all(rests, family, kinds, stated, said_full, history, full, cells=1, gone=0.0):
    """Return (start, end, capacity) over the stated range with the weight of each, plainly."""
    middle = np.median(rests.voltage, axis=1) / cells
    charge, voltage, covariance = _nodes(rests, middle, cells, kinds == {"iron"})
    low, high = (np.log(0.55), np.log(1.35)) if stated else (-2.0, 2.0)
    steps = np.linspace(low, high, module.SIZES)
    starts = np.linspace(0.0, 1.05, module.STARTS)
    rows, logs = [], []
    blur = 0.3 if said_full else 0.5 if kinds == {"iron"} else 0.65
    for near, odds in ((0.3, 0.4), (1.0, 0.6)):
        curves = np.array([on_grid(curve) for curve in family])
        ways = _amplitudes(
            curves, [curve.kind for curve in family], np.full((len(family), 1), near)
        )
        for which, curve in enumerate(curves):
            top = float(np.interp(full, curve, GRID)) if full else min(1.0, 1.0)
            level = (0.03 if family[which].kind == "iron" else 0.0) * near
            for step in steps:
                size = (stated or rests.capacity) * np.exp(step) / top
                bent, own, learnt = curve, ways[:, which], 0.0
                for ride in history.rides if history else ():
                    one = bent[None, None].copy()
                    spread = own[:, None, None, :].copy()
                    learnt += float(
                        _learn(
                            ride,
                            one,
                            spread,
                            np.array([level]),
                            np.array([[size]]),
                            starts,
                            np.array([top]),
                        )[0, 0]
                    )
                    bent, own = one[0, 0], spread[:, 0, 0]
                for start in starts:
                    if start > top + 0.02:
                        continue
                    log = np.log(odds / len(family)) + float(
                        _size_prior(np.array([step]), stated)[0]
                    )
                    log += set_out(start - top, said_full, gone)
                    log += blur * learnt
                    log += blur * weigh(
                        charge, voltage, covariance, bent, own[0], own[1], level, size, start
                    )
                    if kinds == {"iron"} and rests.opening() is not None:
                        log += (1 - blur) * float(
                            _not_above(
                                rests.opening(),
                                cells,
                                curve[None],
                                ways[:, which][:, None],
                                np.array([level]),
                                np.array([start]),
                            )[0, 0, 0]
                        )
                    rows.append((start, size, top, which))
                    logs.append(log)
    share = np.exp(np.array(logs) - max(logs))
    share /= share.sum()
    # Anywhere in its cell of the grid; 0.8 % of doubt what full is, but for a pack that was called
    # so, and 0.6 % of the current's scale.
    chance = np.random.default_rng(1)
    start, size, top, which = np.array(rows)[chance.choice(len(rows), 100_000, p=share)].T
    start = start + (starts[1] - starts[0]) * chance.uniform(-0.5, 0.5, len(start))
    start = start + chance.normal(0.0, 0.0 if said_full else 0.008, len(start))
    size = size * np.exp((steps[1] - steps[0]) * chance.uniform(-0.5, 0.5, len(start)))
    drawn = (rests.drawn[1] - rests.drawn[0]) * chance.normal(1.0, 0.006, len(start))
    return start / top, (start - drawn / size) / top, size * top, which


BOARDS = {
    "nickel": 'name = "k"\n[battery]\ncell_full = 4.15\n[[battery.units]]\nname = "u"\n'
    'series = 3\nparallel = 1\nchemistry = "NMC"\n',
    "iron": 'name = "k"\n[battery]\ncell_full = 3.6\n[[battery.units]]\nname = "u"\n'
    'series = 3\nparallel = 1\nchemistry = "LFP"\n',
}


@pytest.fixture
def coarse(monkeypatch):
    monkeypatch.setattr(module, "SIZES", 5)
    monkeypatch.setattr(module, "STARTS", 19)


def held(found, told, near, full=False):
    """Hold medians, half-widths and intervals against the many draws of the plain weighing."""
    for name, draws, most in zip(("start", "end", "capacity"), told, near, strict=False):
        estimate, middle = getattr(found, name), np.median(draws)
        clipped = middle if name == "capacity" else min(max(middle, 0.0), 1.0)
        assert estimate.value == pytest.approx(clipped, abs=most), name
        wide = np.quantile(np.abs(draws - middle), 0.9)
        assert estimate.error == pytest.approx(wide, rel=0.08, abs=most / 4), name
    for within, draws in ((found.start_within, told[0]), (found.end_within, told[1])):
        # Beyond each end: 9 in 100 where cells of nickel are the likeliest, else 5.
        beyond = 0.05 if "Prada2013" in dict(found.names) else 0.09
        # The uppermost of 1200 draws leaves about half a one of 1200 above it.
        shares = (0.1, 1 - 0.5 / 1200) if full else (beyond, 1 - beyond)
        near = np.quantile(np.clip(draws, 0.0, 1.0), shares)
        assert within == pytest.approx(near, abs=0.04 if full else 0.015)


@pytest.mark.parametrize(
    "how", ["stated", "nothing stated", "said full", "said full, under way", "earlier rides"]
)
def test_the_charge_is_that_of_every_combination_weighed(coarse, case, monkeypatch, how):
    board = read_board_file(BOARDS["nickel"], "b").battery
    family = [curve for curve in CURVES if curve.kind == "nickel"][:2]
    monkeypatch.setattr(module, "CURVES", family)
    monkeypatch.setattr(module, "kinds_of", lambda *_: {"nickel": 0.5})
    stated = None if how == "nothing stated" else 12.0
    history = PackHistory("p", (ride_of(case),)) if how == "earlier rides" else None
    rests = rests_of()
    said, moving = how.startswith("said full"), how.endswith("under way")
    if said:
        rests.voltage = rests.voltage + 0.13
        monkeypatch.setattr(module, "STARTS", 61)  # as near as it says
    found = find_charge(rests, board, stated, history, 1, said, moving)
    gone = 250.0 * rests.load / 3600 / 12.0 if moving else 0.0
    told = enumerate_all(rests, family, {"nickel"}, stated, said, history, 4.15, gone=gone)
    held(found, told, (0.006, 0.006, 0.3 if stated is None else 0.12), said)
    assert found.rides == (1 if history else 0)
    assert found.drawn == 4.0
    assert sorted(name for name, _ in found.names) == sorted(curve.name for curve in family)
    for name, part in found.names:
        which = [curve.name for curve in family].index(name)
        assert part == pytest.approx(np.mean(told[3] == which), abs=8e-3)
    assert found.names[0][1] >= found.names[-1][1]
    assert found.counted == (how == "said full")
    if moving:
        sure = find_charge(rests, board, stated, history, 1, True)
        assert found.start.value < sure.start.value and found.start.error > sure.start.error
    # Draws: of one pack each, all alike.
    assert len(found.draws_end) == len(found.draws_capacity) == len(found.draws_curve) == 1200
    full = found.full[found.draws_curve]
    start = found.draws_end + found.drawn / found.draws_capacity
    assert np.median(start / full) == pytest.approx(found.start.value, abs=0.01)
    assert np.median(found.draws_capacity * full) == pytest.approx(found.capacity.value)


def test_cells_with_a_plateau_are_weighed_with_their_first_reading(coarse, monkeypatch):
    board = read_board_file(BOARDS["iron"], "b").battery
    family = [curve for curve in CURVES if curve.kind == "iron"][:2]
    monkeypatch.setattr(module, "CURVES", family)
    monkeypatch.setattr(module, "LOWER", {})  # what is told lower than the likelihood has it
    rests = rests_of(opening=Estimate(3.42 * 2, 0.03), cells=2)
    rests.voltage = rests.voltage * 3.3 / 3.8
    found = find_charge(rests, board, 12.0, None, 2)
    told = enumerate_all(rests, family, {"iron"}, 12.0, False, None, 3.6, cells=2)
    held(found, told, (0.006, 0.006, 0.12))
    assert found.rides == 0


def drawn_of(curves, which, end, capacity, *ways):
    return Charge(
        Estimate(0, 0),
        Estimate(0, 0),
        (0, 0),
        (0, 0),
        Estimate(0, 0),
        0,
        (),
        False,
        1.0,
        end,
        capacity,
        which,
        curves,
        np.ones(len(curves)),
        *ways,
    )


def test_each_draw_is_read_on_its_own_curve():
    straight, bent = 3.0 + GRID, 3.0 + 0.5 * GRID + 0.5 * GRID**2
    which = np.array([0, 1, 0])
    ways = np.ones(3), np.array([straight, bent]), which
    found = drawn_of(np.array([straight, bent]), which, np.zeros(3), np.ones(3), *ways)
    volts = np.array([3.25, 3.0 + 0.5 * 0.6 + 0.5 * 0.36, 3.75])
    assert found.charge_at(volts) == pytest.approx([0.25, 0.6, 0.75], abs=1e-5)
    low, high = np.array([0.2, 0.1, 0.4975]), np.array([0.6, 0.9, 0.4975])
    # Closed forms: the mean of a straight line, and of x/2 + x²/2 between 0.1 and 0.9.
    mean = 3.0 + (0.8 / 4 + (0.9**3 - 0.1**3) / 6) / 0.8
    assert found.mean_voltage(low, high) == pytest.approx([3.4, mean, 3.4975], abs=1e-4)


def test_where_the_ride_did_not_come_an_unknown_make_is_like_any_of_its_family():
    straight, low = 3.0 + GRID, 2.8 + GRID
    end, count = np.array([0.9, 0.5, 0.9, 0.52]), 4
    curves, which = np.array([straight, low]), np.zeros(count, int)
    astray, other = np.array([1.0, 1.0, 0.3, 1.0]), np.ones(count, int)
    found = drawn_of(curves, which, end, np.ones(count), astray, curves, other)
    # 3.4 V is 0.4 on its own curve and 0.6 on the other.  From 0.5 that is 0.1 away, one length:
    # exp(-1/2) = 0.607 of the draws stay; from 0.9, five lengths, none does; a known make does.
    volts = np.full(count, 3.4)
    assert found.charge_far_off(volts, np.full(count, 0.606)) == pytest.approx([0.6, 0.4, 0.4, 0.6])
    assert found.charge_far_off(volts, np.full(count, 0.608)) == pytest.approx([0.6, 0.6, 0.4, 0.6])
    assert found.charge_far_off(volts, np.full(count, 0.48)) == pytest.approx([0.6, 0.4, 0.4, 0.4])


def test_the_draws_of_an_unknown_make_have_other_curves_by_their_weight(coarse):
    board = read_board_file(BOARDS["nickel"], "b").battery
    found = find_charge(rests_of(), board, 12.0)
    likely = kinds_of("NMC", 4.15, 4.0)
    family = [curve for curve in CURVES if curve.kind in likely]
    assert found.family == pytest.approx(np.array([on_grid(curve) for curve in family]))
    weight = np.array([likely[curve.kind] for curve in family])
    part = np.bincount(found.draws_other, minlength=len(family)) / len(found.draws_other)
    assert part == pytest.approx(weight / weight.sum(), abs=0.04)
    assert set(found.draws_astray) == {1.0}  # these rests lie on no published curve
    rests = rests_of()
    rests.voltage[:] = np.interp(0.9 - (rests.charge - 0.5) / 12.0, GRID, NICKEL[0])[:, None]
    known = find_charge(rests, board, 12.0).draws_astray
    assert 0.5 < np.mean(known == 0.3) < 1.0 and set(known) == {0.3, 1.0}


def test_the_share_of_a_kind_is_that_of_all_its_makes_together():
    belief = (("NCA_Kim2011", 0.4), ("Chen2020", 0.35), ("Ecker2015", 0.25))
    kinds = shares_of_kinds(belief)
    assert kinds == {"aluminium": 0.4, "nickel": pytest.approx(0.6)}
    assert max(kinds, key=kinds.__getitem__) == "nickel"


def test_the_interval_holds_nine_in_ten_within_nought_and_one():
    even = np.linspace(0.0, 1.0, 1001)
    assert _within(even, 0.05, False) == pytest.approx((0.05, 0.95))
    assert _within(even, 0.09, False) == pytest.approx((0.09, 0.91))
    assert _within(even, 0.05, True) == pytest.approx((0.1, 1.0))
    assert _within(np.linspace(-1.0, 2.0, 1001), 0.05, False) == (0.0, 1.0)
    for middle, told in ((1.2, 1.0), (-0.1, 0.0), (0.4, 0.4)):
        found = _share(np.linspace(middle - 0.1, middle + 0.1, 1001))
        assert (found.value, found.error) == (pytest.approx(told), pytest.approx(0.09))
    assert pytest.approx(stats.norm.ppf(0.95), abs=2e-4) == NORMAL


def test_without_a_board_file_nothing_is_taken_for_known(coarse):
    bare = read_board_file('name = "k"\n[battery]\n', "b").battery
    rests = rests_of()
    assert find_charge(rests, None, None).names == find_charge(rests, bare, None).names
    # Full below 3.8 V and never seen above 3.7 V: iron phosphate, whatever is not said.
    low = read_board_file('name = "k"\n[battery]\ncell_full = 3.6\n', "b").battery
    rests.voltage = rests.voltage * 3.3 / 4.0
    kinds = {curve.name: curve.kind for curve in CURVES}
    assert {kinds[name] for name, _ in find_charge(rests, low, 12.0).names} == {"iron"}
    one = rests_of(count=1)
    assert [len(part) for part in _nodes(one, np.array([3.3]), 1, True)] == [1, 1, 1]
