"""Cell taps: a loose one moves voltage between two neighbours, a dead one reads nothing.

A tap is the sense lead between two cells.  What it picks up when it is loose one cell gains and
the next one loses, so their sum stays; no cell can do that.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ..readings.series import Array, Flags
from .doubt import Spans, how_long, marked, runs, spans_of, spans_seen
from .look import Look, spread

DEAD = 0.5
"""V below which a reading is no cell's that just now drove the vehicle (common practice)."""

OVER = 4.6
"""V above which no lithium cell reads; 4.45 V is the most that any is charged to (handbooks)."""

AWAY = 0.06
"""V that a cell leaves its usual place among the others by, at least."""

SIGMAS = 10.0
"""The same in its own usual scatter."""

LASTING = 0.15
"""V that two neighbours lie apart from all others by, all along, one up and one down."""

LATENESS = (0.0, *np.arange(0.2, 1.7, 0.2), *np.arange(-0.2, -1.7, -0.2))
"""s by which the cells may be read later than the pack's voltage: none is tried first."""

GAINED = 0.85
"""Share of what cells lack that a lateness must leave to be believed (our choice)."""

PAD, JOIN = 0.5, 3.0
"""s set aside around a moment, and between moments that are one."""


@dataclass(frozen=True)
class _Cells:
    """All cells on one axis: ``value`` of each, ``mean`` of all, and how ``mean``, ``load`` and
    ``axis`` (the share of the time gone), which all cells share, explain each cell: ``fits``."""

    keys: list[str]
    numbers: list[int]
    time: Array
    value: list[Array]
    mean: Array
    load: Array
    axis: Array
    fits: list[Array]
    noise: Array
    most: Array
    """The furthest that each cell is ever off, V."""
    few: slice
    """Some thousands of the samples, for what needs no more."""

    def off(self, k: int) -> Array:
        """Return what load and charge do not explain of cell ``k``; worked out when asked for, for
        all of a long ride's cells do not fit side by side."""
        return _off(self.value[k], self.mean, self.load, self.axis, self.fits[k])

    def thin(self) -> Array:
        """Return some of the samples of every cell less their mean, (cells, few)."""
        return np.array([value[self.few] for value in self.value]) - self.mean[self.few]


def check_taps(look: Look) -> None:
    """Note the cells whose tap is dead or loose."""
    cells = _cells(look)
    if cells is None:
        return
    count = len(cells.keys)
    usual = float(np.nanmedian(cells.mean[cells.few]))
    dead = [_dead(look, cells, k) for k in range(count)]
    over = [v > OVER if np.nanmax(v) > OVER else np.zeros(len(v), bool) for v in cells.value]
    for k in range(count):
        gone = dead[k]
        if not gone.any():
            continue
        spans = spans_of(cells.time, gone, PAD, JOIN)
        seen = spans_seen(cells.time, gone, join=JOIN)
        low = float(np.nanmedian(cells.value[k][gone]))
        near = [j for j in (k - 1, k + 1) if 0 <= j < count and _twice(cells, j, gone)]
        also = "".join(
            f" and cell {cells.numbers[j]} {np.nanmedian(cells.value[j][gone]):.2f} V, twice a cell"
            for j in near
        )
        look.add(
            cells.keys[k],
            "dead cell tap",
            f"Cell {cells.numbers[k]} read {low:.2f} V {how_long(seen)}, the others "
            f"{usual:.2f} V{also}: a lead that touches nothing, not an empty cell. Measure the "
            "cell itself with a meter before you charge or ride.",
            spans,
        )
        for j in near:
            look.add(
                cells.keys[j],
                "neighbour of a dead cell tap",
                f"It read the voltage of cell {cells.numbers[k]} as well as its own.",
                spans,
            )
    _loose(look, cells)
    for k in range(count):
        gone = over[k] & ~_known(look, cells, k)
        if gone.any():
            most = float(np.nanmax(cells.value[k][gone]))
            look.add(
                cells.keys[k],
                "above what a cell can be",
                f"It read {most:.2f} V; no lithium cell is ever above {OVER:g} V.",
                spans_of(cells.time, gone, PAD, JOIN),
            )
    _alone(look, cells)


def _twice(cells: _Cells, j: int, gone: Flags) -> bool:
    with np.errstate(invalid="ignore"):
        ratio = cells.value[j][gone] / cells.mean[gone]
    return bool(np.nanmedian(ratio) > 1.5)


def _known(look: Look, cells: _Cells, k: int) -> Flags:
    known = np.zeros(len(cells.time), bool)
    for doubt in look.doubts:
        if doubt.key == cells.keys[k]:
            known |= doubt.inside(cells.time)
    return known


def _cells(look: Look) -> _Cells | None:
    """Return the cells as they were logged if one stream has them all, else on the coarse axis."""
    keys = [key for key in look.ride.keys("cell_voltage") if look.native(key) is not None]
    if len(keys) < 3:
        return None
    numbers = [look.ride.index(key) for key in keys]
    streams = {stream.name for key in keys if (stream := look.ride.find(key)) is not None}
    if len(streams) == 1:
        stream = look.ride.streams[streams.pop()]
        time, value = stream.time, [stream.values[key] for key in keys]
    else:
        time, value = look.time, [look.at(key) for key in keys]
    if len(time) < 10:
        return None
    mean = _total(value) / len(value)
    if not np.isfinite(mean).all():
        count = _total(np.isfinite(v).astype(float) for v in value)
        mean = _total(np.where(np.isfinite(v), v, 0.0) for v in value)
        mean = np.where(count > 0, mean / np.maximum(count, 1), np.nan)
    fits, noise, most = [], np.empty(len(keys)), np.empty(len(keys))
    few = slice(None, None, max(1, len(time) // 4000))
    axis = (time - time[0]) / max(float(time[-1] - time[0]), 1.0)
    load = mean - _smooth(mean[few], time[few], time)
    for k in range(len(keys)):
        fits.append(_fit([mean[few], load[few], axis[few]], value[k][few] - mean[few]))
        off = _off(value[k], mean, load, axis, fits[k])
        noise[k] = spread(off[few])
        most[k] = max(np.fmax.reduce(off), -np.fmin.reduce(off))
    return _Cells(keys, numbers, time, value, mean, load, axis, fits, noise, most, few)


def _total(values: Iterable[Array]) -> Array:
    """Return the sum of columns, one at a time."""
    each = iter(values)
    total = next(each).copy()
    for value in each:
        total += value
    return total


def _off(value: Array, mean: Array, load: Array, axis: Array, fit: Array) -> Array:
    usual = (1 + fit[1]) * mean
    usual += fit[2] * load
    usual += fit[3] * axis
    usual += fit[0]
    return np.asarray(np.subtract(value, usual, out=usual))


def _smooth(value: Array, time: Array, wanted: Array) -> Array:
    """Return the mean over about half a minute, which parts the load from the charge."""
    known = np.isfinite(value)
    if known.sum() < 3:
        return np.zeros(len(wanted))
    number = np.floor((time[known] - time[0]) / 30.0).astype(int)
    count = np.bincount(number)
    has = count > 0
    middle = np.bincount(number, time[known])[has] / count[has]
    return np.interp(wanted, middle, np.bincount(number, value[known])[has] / count[has])


def _fit(parts: list[Array], wanted: Array) -> Array:
    """Return the offset and the factors of ``parts`` that fit ``wanted``; strays are left out."""
    table = np.column_stack([np.ones(len(wanted)), *parts])
    kept = np.isfinite(wanted) & np.isfinite(table).all(axis=1)
    fit = np.zeros(table.shape[1])
    if kept.sum() < 2 * table.shape[1]:
        fit[0] = float(np.nanmedian(wanted)) if np.isfinite(wanted).any() else 0.0
        return fit
    kept &= np.abs(wanted - np.median(wanted[kept])) <= max(8 * spread(wanted[kept]), 0.01)
    for _ in range(3):
        fit = np.linalg.lstsq(table[kept], wanted[kept], rcond=None)[0]
        left = wanted - table @ fit
        kept = np.isfinite(left) & (np.abs(left) <= max(4 * spread(left[kept]), 1e-3))
        if kept.sum() < 2 * table.shape[1]:
            break
    return fit


def _dead(look: Look, cells: _Cells, k: int) -> Flags:
    """Return where cell ``k`` reads nothing: it went there at once, or stays there at rest."""
    with np.errstate(invalid="ignore"):
        gone: Flags = (cells.value[k] < DEAD) & (cells.mean > 2 * DEAD)
    if not gone.any():
        return gone
    # A truly empty cell falls to nothing under load only, by and by, and comes back at rest.
    step = np.abs(np.diff(cells.value[k], prepend=cells.value[k][0]))
    at_once = bool(np.nanmax(np.where(gone, step, 0.0)) > 1.0)
    mirrored = any(0 <= j < len(cells.keys) and _twice(cells, j, gone) for j in (k - 1, k + 1))
    rest = cells.mean > np.nanmedian(cells.mean[gone])
    always = bool(gone.mean() > 0.9) or bool(gone[rest].mean() > 0.9)
    return gone if at_once or mirrored or always else np.zeros(len(gone), bool)


def _loose(look: Look, cells: _Cells) -> None:
    """Note the pairs of neighbours that mirror each other while all others stay in place."""
    count = len(cells.keys)
    middles = np.nanmedian(cells.thin(), axis=1)
    for k in range(count - 1):
        least = max(AWAY, SIGMAS * float(min(cells.noise[k], cells.noise[k + 1])))
        apart = float(min(abs(middles[k]), abs(middles[k + 1])))
        if (cells.most[k] <= least or cells.most[k + 1] <= 0.75 * least) and apart <= LASTING:
            continue  # what is looked for below is further off in one, and as far in the other
        one, two = cells.off(k), cells.off(k + 1)
        with np.errstate(invalid="ignore"):
            gone = (np.abs(one) > least) & (np.abs(one + two) < 0.25 * np.abs(one))
            gone &= np.sign(one) != np.sign(two)
            for j in (k - 1, k + 2):
                if 0 <= j < count:
                    gone &= np.abs(cells.off(j)) < 0.3 * np.abs(one)
        fresh = ~_known(look, cells, k) & ~_known(look, cells, k + 1)
        gone &= fresh & _sudden(one, gone)
        rest = np.delete(middles, [k, k + 1])
        if (
            apart > LASTING
            and abs(middles[k] + middles[k + 1]) < 0.2 * apart
            and np.abs(rest).max(initial=0.0) < 0.2 * apart
        ):
            gone = np.isfinite(one) & fresh  # a dead tap is told as such
            size = apart
        elif np.count_nonzero(gone) >= 3 or (gone.any() and np.abs(one[gone]).max() > 5 * least):
            size = float(np.nanmax(np.abs(one[gone])))
        else:
            continue
        spans = spans_of(cells.time, gone, PAD, JOIN)
        seen = spans_seen(cells.time, gone, join=JOIN)
        numbers = f"{cells.numbers[k]} and {cells.numbers[k + 1]}"
        for j, other in ((k, k + 1), (k + 1, k)):
            look.add(
                cells.keys[j],
                "loose cell tap",
                f"Cells {numbers} moved apart by up to {size:.2f} V each, one up as the other went "
                f"down, {how_long(seen)}, while their sum and all other cells stayed: the lead "
                f"between cell {cells.numbers[j]} and cell {cells.numbers[other]}.",
                spans,
            )


def _sudden(off: Array, gone: Flags) -> Flags:
    """Return those unbroken rows of ``gone`` that began or ended at once, as a lead does: what
    goes by and by is a cell on the steep end of its curve."""
    sudden = np.zeros(len(gone), bool)
    step = np.abs(np.diff(off, prepend=np.nan))
    for first, last in runs(gone):
        edges = np.r_[step[first : first + 1], step[last + 1 : last + 2]]
        whole = float(np.max(np.abs(off[first : last + 1])))
        # A row that holds the ride's first or last sample has one edge only.
        if np.nanmax(edges, initial=0.0) > 0.4 * whole:
            sudden[first : last + 1] = True
    return sudden


def _lacking(look: Look, cells: _Cells) -> tuple[Array, float]:
    """Return what the cells together lack of the pack's own voltage in V, shape (n,), at the
    lateness of the one against the other that leaves the least of it, and its noise: a cell that
    is read late shows a load's end while the pack has recovered."""
    total, pack = _total(cells.value), look.at("pack_voltage")
    few = cells.few
    best = None
    for late in LATENESS:
        away = np.interp(cells.time - late, look.time, pack) - total
        fit = _fit([cells.mean[few]], away[few])
        lacking = away - fit[0] - fit[1] * cells.mean
        left = float(np.nanmean(np.abs(lacking)))
        if best is None or left < GAINED * best[0]:
            best = left, lacking
    assert best is not None
    return best[1], spread(best[1][few])


def _alone(look: Look, cells: _Cells) -> None:
    """Note a cell that leaves its place while the pack's own voltage shows nothing of it."""
    left = cells.most > np.maximum(3 * AWAY, SIGMAS * cells.noise)
    if not look.keys("pack_voltage") or not left.any():
        return
    known = np.array([_known(look, cells, k) for k in range(len(cells.keys))])
    if known.any(axis=0).mean() > 0.5:
        return
    lacking, noise = _lacking(look, cells)
    for k, key in enumerate(cells.keys):
        least = max(3 * AWAY, SIGMAS * float(cells.noise[k]), SIGMAS * noise)
        if cells.most[k] <= least:
            continue
        off = cells.off(k)
        with np.errstate(invalid="ignore"):
            gone = (np.abs(off) > least) & (np.abs(off + lacking) < 0.3 * np.abs(off))
        # A sample or two lie where two clocks differ.
        gone = marked(runs(gone & ~known[k], 3), len(off))
        if not gone.any():
            continue
        spans: Spans = spans_of(cells.time, gone, PAD, JOIN)
        seen = spans_seen(cells.time, gone, join=JOIN)
        size = float(np.nanmax(np.abs(off[gone])))
        look.add(
            key,
            "loose cell tap",
            f"It left its place by up to {size:.2f} V {how_long(seen)}, and the pack's own "
            "voltage showed nothing of it.",
            spans,
        )
