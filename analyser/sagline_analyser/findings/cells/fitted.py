"""How each cell holds its voltage under load, and whether one stands out."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..belief.circuit import CircuitFit, fit_circuits
from ..belief.curves import kind_of
from ..belief.estimate import Estimate
from ..belief.history import PackHistory
from ..belief.rests import Rests, find_rests
from ..belief.unequal import Unequal, compare_cells
from ..readings.chance import student
from ..readings.electric import present
from ..readings.gathered import Gathered
from ..readings.packs import MANY, PackSpan, during, pack_capacity
from ..readings.said_full import said_full, under_way
from ..readings.series import Array
from ..readings.unknown import NotKnown
from ..sensors.doubt import SensorDoubt
from ..telling.answer import Answer, Figure, Urgency
from ..telling.certainty import SURE, Certainty, cannot_tell, certainty, within
from ..telling.picture import Bar, Bars

MARGIN = 0.10
"""Share of resistance above the others' median from which a cell is called weak; equal cells of
one make differ by some hundredths (common practice, no source)."""

APART = 0.05
"""Share of resistance by which two looks at the readings may differ (our choice)."""

SINGLE = 0.3
"""The same where only what a single launch lost in all tells it (our choice: its interval is that
of one event)."""

SMALL = 0.05
"""Share of capacity below the others' from which a cell is told to be small; equal cells of one
make differ by some hundredths (common practice, no source)."""

PLATEAU = 3.42
"""V at rest in the middle of a ride below which cells may be of iron phosphate: on their plateau
size does not show, and a small cell was named where none was; none is named there."""

LAGS = 0.03
"""Share of the pack's capacity from which a cell is told to be behind in charge: balanced cells
differ by less than a hundredth (common practice, no source)."""

NEARER = 0.2
"""Share of resistance by which a cell that is behind in charge may lie above the others for that
alone: one nearer to its end reacts more slowly (our judgement, from porous-electrode models: up to
0.15 for 5 to 10 points behind at 20 % of charge)."""

STEEPER = 1.25
"""Times its step's share above the others by which a cell's share after 10 s may lie above them and
still speak of resistance: a bad joint shows less of it after 10 s than at once, a cell nearer to
its end more (our judgement, from porous-electrode models)."""

MOST_SMALL = 0.2
"""Share of capacity that a small cell may lack and still be told from a resistive one only by how
its resting voltage falls (our choice)."""

FEW_CHANGES = 4
"""Changes of load below which a single launch tells the step from the seconds after it: its
interval is then no narrower than half the resistance after 10 s (our judgement, from simulation).
"""

CONFIDENCE = 0.95
"""For naming a weak cell, over all cells compared (Bonferroni)."""

QUESTION = "Does one cell hold its voltage worse than the others?"


@dataclass(frozen=True)
class PackFit:
    """What is believed of one pack's cells, or why nothing is: every answer starts from it.

    ``numbers`` are the cells' own, in the order of ``fit.keys``; 0 for the pack as a whole.
    ``cells`` is False when only the whole pack's voltage was measured.  ``rests`` and ``unequal``
    (in the order of ``fit.keys``; None with fewer than three cells) go with ``fit``.  ``said_full``
    says whether the rider stated that it set out full, ``under_way`` whether it had set out before
    the first reading.
    """

    span: PackSpan
    fit: CircuitFit | NotKnown
    cells: bool
    rests: Rests | None = None
    unequal: tuple[Unequal, ...] | None = None
    said_full: bool = False
    under_way: bool = False
    numbers: tuple[int, ...] = ()

    @property
    def skew(self) -> float:
        """The s by which a cell reading shows a later load than its stamp says, as far as known."""
        return 0.0 if isinstance(self.fit, NotKnown) else self.fit.skew


@dataclass(frozen=True)
class Asked:
    """What the questions about the packs are asked of: a ride with the fits of its packs, which
    on a long ride take a lot of memory, and what the caller wants to know.

    ``sensors`` is what is doubted of the ride's sensors.  ``other_capacity`` in Ah is that of
    another pack whose range is wanted too, ``plan`` a distance in km for which a pack is wanted;
    ``history`` what earlier rides showed of the last pack.
    """

    basis: Gathered
    packs: tuple[PackFit, ...]
    sensors: tuple[SensorDoubt, ...] = ()
    other_capacity: float | None = None
    plan: float | None = None
    history: PackHistory | None = None


@dataclass(frozen=True)
class Cell:
    """One cell group: resistances in Ω and voltages at rest in V, each with the half-width of its
    90 % interval.

    ``step`` is the ohmic step, ``ten`` the resistance 10 s after a step from rest to the pack's
    mean driving load; the voltages are those after long rest.
    ``excess`` is the share by which ``step`` lies above the median of the others, and
    ``excess_low`` the least that the evidence leaves, all comparisons counted; likewise
    ``ten_excess`` and ``ten_excess_low``.
    """

    number: int
    key: str
    step: float
    step_error: float
    ten: float
    ten_error: float
    rest_start: float
    rest_end: float
    rest_error: float
    excess: float
    excess_low: float
    ten_excess: float
    ten_excess_low: float
    size: Estimate | None = None
    """Capacity over the middle cell's."""
    small_chance: float = 0.0
    """How likely it is that it holds less than the others by more than SMALL."""
    lag: Estimate | None = None
    """Share of the pack's capacity by which its charge lay below the middle cell's at the start."""
    lag_chance: float = 0.0
    """How likely it is that its charge lay below the others' by more than LAGS of capacity."""
    behind: Estimate | None = None
    """Like ``lag``, at the end of the ride."""
    behind_chance: float = 0.0
    """Like ``lag_chance``, at the end of the ride."""
    looks: tuple[float, float] = (math.inf, math.inf)
    """Shares by which ``step`` and ``ten``, as told here, lie above the others'."""
    step_alike: float = 0.0
    """Share by which the step lies above the others' as far as the ride tells it: ``excess``, or
    of a single launch, whose step is hardly told from the second after it, that of the step told
    here if it is greater."""

    @property
    def small(self) -> bool:
        """Whether the evidence says that it holds less than the others by more than SMALL."""
        return self.small_chance > SURE

    @property
    def lags(self) -> bool:
        """Whether its charge lay below the others' by more than LAGS from the start."""
        return self.lag_chance > SURE

    @property
    def trails(self) -> bool:
        """Whether its charge lies below the others' at the end, be it for its size or from the
        start: which of them, this ride does not tell."""
        return self.behind_chance > SURE and not self.small and not self.lags

    @property
    def by_size(self) -> float:
        """Factor by which its size alone raises its resistance; 1 unless it is told small."""
        return 1 / self.size.value if self.small and self.size is not None else 1.0

    @property
    def by_charge(self) -> float:
        """Factor by which its lower charge alone may raise its resistance; 1 unless it is as likely
        behind as not."""
        return 1 + NEARER if max(self.lag_chance, self.behind_chance) > 0.5 else 1.0

    @property
    def by_step(self) -> bool:
        """Whether its step sets it apart, as both looks at it have it, and not only what it shows
        after 10 s."""
        return self.excess_low > MARGIN and self.excess >= 0.9 * self.step_alike

    @property
    def above(self) -> tuple[float, float]:
        """The share by which it is told to lie above the others, which is that of the figures told,
        and the least of it."""
        told = self.looks[0 if self.by_step else 1]
        share, least = self.ten_excess, self.ten_excess_low
        if self.by_step:
            share, least = self.excess, self.excess_low
        return (told if math.isfinite(told) else share), least

    @property
    def weak(self) -> bool:
        """Whether the evidence separates this cell from the others by more than MARGIN, what a
        small cell has more of resistance for its size, or one behind for its charge, left out.

        A cell nearer to empty loses more in 10 s because its curve is steeper: its step has to be
        above the others' too, and by as much; and what one look at the readings has, the second has
        to see.
        """
        if max(self.looks) < MARGIN / 2:
            return False
        step = max(self.excess, self.step_alike)
        alike = step > MARGIN and self.ten_excess <= STEEPER * step
        least = max(self.excess_low, self.ten_excess_low if alike else -1.0)
        margin = MARGIN if self.excess_low > MARGIN or self.excess > MARGIN else SINGLE
        return (1 + least) / (self.by_size * self.by_charge) - 1 > margin


@dataclass(frozen=True)
class PackCells:
    """The cells of one pack.  ``spread`` is the standard deviation of the step resistances as a
    share of their median, None where that is no resistance; ``skew`` in s as in
    :class:`CircuitFit`."""

    span: PackSpan
    cells: tuple[Cell, ...]
    spread: float | None
    skew: float
    evidence: tuple[tuple[float, float], ...]
    rows: int
    changes: int
    load: float
    """A of the ride's mean driving load, for which resistances after 10 s are told."""

    @property
    def small(self) -> tuple[Cell, ...]:
        """The cells that hold less than the others, the smallest first."""
        return tuple(sorted((c for c in self.cells if c.small), key=lambda c: -c.small_chance))

    @property
    def lagging(self) -> tuple[Cell, ...]:
        """The cells that were or came to be behind in charge, the furthest first."""
        found = (c for c in self.cells if c.lags or c.trails)
        return tuple(sorted(found, key=lambda c: -c.behind_chance))

    @property
    def weak(self) -> tuple[Cell, ...]:
        """The cells that the evidence separates from the others, worst first."""
        return tuple(sorted((c for c in self.cells if c.weak), key=lambda c: -c.excess))


def fit_packs(it: Gathered) -> tuple[PackFit, ...]:
    """Fit the circuits of every pack of the ride; without cell voltages, of the pack as a whole.

    The stated capacity says how finely rest voltage is followed over the charge.
    """
    ride, board, current, whole = it.ride, it.board, it.current, it.voltage
    capacity = pack_capacity(board.battery) if board else None
    cells = present(ride, "cell_voltage")
    found = []
    for span in it.spans:
        if current is None or whole is None:
            lacking = "battery_current" if current is None else "pack_voltage"
            found.append(PackFit(span, NotKnown(f"needs the channel {lacking}"), bool(cells)))
            continue
        use = [(key, during(series, span)) for key, series in cells]
        most = max((len(series) for _, series in use), default=0)
        # One loose sense wire must not take the readings of all other cells with it.
        use = [(key, series) for key, series in use if len(series) > 0.5 * most]
        measured = use or [("pack_voltage", during(whole.series, span))]
        fit = fit_circuits(during(current.series, span), measured, span.start, span.end)
        if isinstance(fit, NotKnown):
            found.append(PackFit(span, fit, bool(use)))
            continue
        count = 1 if use else (board.battery.cells if board and board.battery else 1) or 1
        kind = kind_of(board.battery if board else None, float(np.max(fit.rest_start)) / count)
        rests = find_rests(fit, capacity, kind)
        unequal = compare_cells(rests) if use else None
        full, moving = said_full(it, span, capacity), under_way(it, span)
        numbers = tuple(ride.index(key) for key in fit.keys)
        found.append(PackFit(span, fit, bool(use), rests, unequal, full, moving, numbers))
    return tuple(found)


def measure_cells(pack: PackFit) -> PackCells | NotKnown:
    """Return what the ride says about the cells of one pack."""
    fit = pack.fit
    if not pack.cells:
        return NotKnown("needs the channels cell_voltage_1, cell_voltage_2, …")
    if isinstance(fit, NotKnown):
        return fit
    rests = pack.rests or find_rests(fit, None)
    groups = len(fit.groups)
    strict = student(1 - (1 - CONFIDENCE) / (2 * len(fit.keys)), groups - 1)
    excess, low = _excess(fit, fit.step, fit.groups[:, 0], strict)
    ten_excess, ten_low = _excess(fit, fit.ten, fit.groups[:, 1], strict)
    looks = np.array([[one.value for one in each] for each in (rests.step, rests.ten)])
    with np.errstate(divide="ignore", invalid="ignore"):
        above = looks / _others(looks) - 1
    # What one look at the readings has, and the other has far less of, is not told.
    seen = np.nan_to_num(above, nan=np.inf)
    off, ten_off = (
        np.maximum(share - other - APART, 0.0)
        for share, other in zip((excess, ten_excess), seen, strict=True)
    )
    excess, low = excess - off, low - off
    ten_excess, ten_low = ten_excess - ten_off, ten_low - ten_off
    few = fit.changes < FEW_CHANGES
    vague = 0.5 if few else 0.0
    alike = np.nan_to_num(above[0]) if few else excess
    flat = float(np.median(rests.voltage)) <= PLATEAU
    cells = tuple(
        Cell(
            pack.numbers[at],
            key,
            rests.step[at].value,
            max(rests.step[at].error, vague * rests.ten[at].value),
            rests.ten[at].value,
            rests.ten[at].error,
            rests.start[at].value,
            rests.end[at].value,
            rests.end[at].error,
            float(excess[at]),
            float(low[at]),
            float(ten_excess[at]),
            float(ten_low[at]),
            *_size_and_lag(pack, rests, at, flat),
            looks=(float(seen[0, at]), float(seen[1, at])),
            step_alike=float(alike[at]),
        )
        for at, key in enumerate(fit.keys)
    )
    middle = float(np.median(fit.step))
    spread = float(np.std(fit.step) / middle) if middle > 0 else None
    return PackCells(
        pack.span,
        cells,
        spread,
        fit.skew,
        ((fit.start, fit.end),),
        fit.rows,
        fit.changes,
        rests.load,
    )


def _size_and_lag(
    pack: PackFit, rests: Rests, at: int, flat: bool
) -> tuple[Estimate | None, float, Estimate | None, float, Estimate | None, float]:
    """Return size, lag at the start and at the end, each with how likely it is beyond SMALL or
    LAGS; on the ``flat`` of a curve no size shows."""
    if pack.unequal is None:
        return None, 0.0, None, 0.0, None, 0.0
    own, whole = pack.unequal[at], rests.capacity
    lag, behind = (Estimate(one.value / whole, one.error / whole) for one in (own.lag, own.behind))
    drawn = rests.drawn[1] - rests.drawn[0]
    return (
        own.size,
        0.0 if flat else own.chance_smaller(SMALL),
        lag,
        own.chance_lagging(LAGS * whole),
        behind,
        own.chance_behind(LAGS * whole, drawn),
    )


def cells_answer(asked: Asked) -> Answer:
    """Answer whether a cell is weak, with every cell's resistance."""
    found = [(pack.span, measure_cells(pack)) for pack in asked.packs]
    known = [cells for _, cells in found if isinstance(cells, PackCells)]
    several = len(found) > 1
    if not known:
        why = next(cells for _, cells in found if isinstance(cells, NotKnown))
        return Answer.unanswered("cells", QUESTION, why)
    verdicts, alike, details, figures = [], [], [], []
    for span, cells in found:
        where = f"Pack {span.number}: " if several else ""
        if isinstance(cells, NotKnown):
            details.append(f"{where}cannot tell: {cells.reason}.")
            continue
        if len(found) > MANY and not (cells.weak or cells.small or cells.lagging):
            alike.append(str(span.number))
            details.append(where + _verdict(cells))
        else:
            verdicts.append(where + _verdict(cells))
        details += [where + line for line in _details(cells)]
        prefix = f"pack {span.number} " if several else ""
        for cell in cells.cells:
            name = f"{prefix}cell {cell.number}"
            figures += [
                Figure(
                    f"{name}, step",
                    1e3 * cell.step,
                    "mΩ",
                    1e3 * cell.step_error,
                    "voltage lost at once for each ampere",
                ),
                Figure(
                    f"{name}, after 10 s",
                    1e3 * cell.ten,
                    "mΩ",
                    1e3 * cell.ten_error,
                    f"voltage lost 10 s after a step from rest to {cells.load:.0f} A, for each "
                    "ampere, at the ride's middle charge",
                ),
                Figure(
                    f"{name}, at rest at the end",
                    cell.rest_end,
                    "V",
                    cell.rest_error,
                    "voltage after long rest, by the fitted circuit and its slow recovery",
                ),
            ]
            against = "of the pack's capacity, against the middle cell"
            for told, share, what, how in (
                (cell.small, cell.size, "capacity", "of the middle cell's"),
                (cell.trails, cell.behind, "charge lacking at the end", against),
                (cell.lags, cell.lag, "charge lacking at the start", against),
            ):
                if told and share is not None:
                    figures.append(
                        Figure(f"{name}, {what}", 100 * share.value, "%", 100 * share.error, how)
                    )
    if alike:
        verdicts.append(f"No cell stands out in pack {', '.join(alike)}.")
    evidence = tuple(span for cells in known for span in cells.evidence)
    answer = Answer("cells", QUESTION, " ".join(verdicts), tuple(figures), evidence, tuple(details))
    return answer.in_short(*_in_short(known))


def _in_short(known: Sequence[PackCells]) -> tuple[str, Urgency, Bars]:
    """Return the card's line, its urgency, and the resistances of the pack with an odd cell."""
    odd = [cells for cells in known if cells.weak or cells.small or cells.lagging]
    shown = odd[0] if odd else known[-1]
    marked = {c.number for c in (*shown.weak, *shown.small, *shown.lagging)}
    bars = Bars(
        "mΩ",
        tuple(Bar(f"cell {c.number}", 1e3 * c.ten, odd=c.number in marked) for c in shown.cells),
    )
    if not odd:
        few = all(len(cells.cells) < 3 for cells in known)
        return "No cell stands out", Urgency.LOOK if few else Urgency.FINE, bars
    where = f" in pack {shown.span.number}" if len(known) > 1 else ""
    kinds = (
        (shown.weak, "resists more than the others"),
        (shown.small, "holds less than the others"),
        (shown.lagging, "lacks charge against the others"),
    )
    cells, what = next((cells, what) for cells, what in kinds if cells)
    return f"Cell {cells[0].number}{where} {what}", Urgency.ACT, bars


def _named(cell: Cell, cells: Sequence[Cell]) -> str:
    """Name a weak cell by its step if that sets it apart, else by what it shows after 10 s."""
    above, least = cell.above
    if cell.by_step:
        what = "step"
        own, middle = cell.step, np.median([one.step for one in cells])
    else:
        what = "after 10 s"
        own, middle = cell.ten, np.median([one.ten for one in cells])
    return (
        f"cell {cell.number} ({what} {1e3 * own:.1f} mΩ, median {1e3 * middle:.1f} mΩ, "
        f"{100 * above:.0f} % above the others, at least {100 * least:.0f} %)"
    )


def _verdict(cells: PackCells) -> str:
    if cells.weak:
        named = ", ".join(_named(cell, cells.cells) for cell in cells.weak)
        worst = "it sags" if len(cells.weak) == 1 else "they sag"
        return " ".join((f"Yes: {named}; {worst} first under load.", *_uneven(cells)))
    if uneven := _uneven(cells):
        return " ".join(("No cell sags more than its size or its charge explains.", *uneven))
    if len(cells.cells) < 3:
        if len(cells.cells) == 1:
            return cannot_tell("one cell has no others to be compared with")
        return cannot_tell("of two cells neither is the usual one")
    middle = 1e3 * float(np.median([cell.step for cell in cells.cells]))
    if middle <= 0:
        return cannot_tell("the ride's few changes of load tell no resistance")
    worst_cell = max(cells.cells, key=lambda cell: cell.step_alike)
    return (
        f"No cell stands out: median step {middle:.1f} mΩ, and the highest, cell "
        f"{worst_cell.number}, is {100 * worst_cell.step_alike:.0f} % above the others, which this "
        f"ride does not separate from the {MARGIN:.0%} that equal cells may differ by"
        + ("; another one would." if worst_cell.step_alike > 2 * MARGIN else ".")
    )


def _uneven(cells: PackCells) -> list[str]:
    """Say which cells hold less, and which were behind in charge; each a matter of its own."""
    lines = []
    for cell in cells.small:
        if cell.size is None:
            continue
        more = ""
        if cell.excess > MARGIN / 2:
            more = f"; its {100 * cell.excess:.0f} % more of resistance is what so small a cell has"
        lines.append(
            f"Cell {cell.number} {certainty(cell.small_chance).value} a small one: it holds "
            f"{within(100 * (1 - cell.size.value), 100 * cell.size.error)} % less charge than the "
            f"others, so it is empty first{'' if cell in cells.weak else more}."
        )
    for cell in cells.lagging:
        if cell.lag is None or cell.behind is None:
            continue
        if cell.trails:
            lines.append(
                f"Cell {cell.number} {certainty(cell.behind_chance).value} "
                f"{within(100 * cell.behind.value, 100 * cell.behind.error)} points of charge "
                "behind the others at the end; "
                "whether it is smaller or the pack out of balance, a ride from full would tell."
            )
            continue
        lines.append(
            f"Cell {cell.number} set out {within(100 * cell.lag.value, 100 * cell.lag.error)} "
            "points of charge behind the others: the pack is out of balance, or the cell is "
            "smaller and the pack did not set out full."
        )
    return lines


def _details(cells: PackCells) -> list[str]:
    rest = [cell.rest_end for cell in cells.cells]
    lines = []
    if cells.spread is not None:
        lines.append(
            f"Spread of the step resistances {100 * cells.spread:.1f} % (standard deviation over "
            f"median), from {cells.rows} readings of {len(cells.cells)} cells."
        )
    lines += [
        f"At rest at the end the cells lie {1e3 * (max(rest) - min(rest)):.0f} mV apart, cell "
        f"{min(cells.cells, key=lambda c: c.rest_end).number} lowest.",
    ]
    lines += [
        f"Cell {cell.number} {certainty(cell.small_chance).value} a small one; a ride over more of "
        "the charge would tell."
        for cell in cells.cells
        if certainty(cell.small_chance) is Certainty.LIKELY
    ]
    if cells.weak:
        lines.append(
            "A high resistance is as often a poor weld, a loose sense wire or busbar, or a cold "
            "cell, as an aged cell: have the joints of that group looked at first, by someone who "
            "knows packs."
        )
    if any(cell.excess < 1 / (1 - MOST_SMALL) - 1 and not cell.small for cell in cells.weak):
        lines.append(
            "A cell of less capacity has more resistance too, by as much: below some "
            f"{100 * (1 / (1 - MOST_SMALL) - 1):.0f} % this ride does not tell the two apart; one "
            "over more of the charge would."
        )
    if cells.changes < FEW_CHANGES:
        lines.append(
            f"The load changed only {cells.changes} time(s), so the step is hardly told from the "
            "seconds after it; go by the figure after 10 s, or ride with more stops and starts."
        )
    if cells.skew:
        late = "later" if cells.skew < 0 else "earlier"
        lines.append(
            f"The cell readings are stamped {abs(cells.skew):.2f} s {late} than the current they "
            "belong to; this was allowed for."
        )
    middle = float(np.median([cell.step for cell in cells.cells]))
    stuck = [str(cell.number) for cell in cells.cells if cell.step < 0.1 * middle]
    if stuck and middle > 0:
        lines.append(f"Cell {', '.join(stuck)} does not answer to load: is its wire connected?")
    return lines


def _excess(fit: CircuitFit, value: Array, groups: Array, strict: float) -> tuple[Array, Array]:
    """Return each cell's share above the median of the others, and its lower bound."""
    share = value / _others(value[None, :])[0] - 1
    error = fit.error(groups / _others(groups) - 1)
    return share, share - strict * error


def _others(rows: Array) -> Array:
    """Return for every cell the median of the other cells, shape as given; NaN for a lone one."""
    count = rows.shape[1]
    if count < 3:
        return np.full(rows.shape, np.nan)
    # Sorted once: without one of them, what stands behind it moves up by a place.
    order = np.argsort(rows, axis=1)
    place = np.argsort(order, axis=1)
    ranked = np.take_along_axis(rows, order, axis=1)
    half = (count - 1) // 2
    upper = np.where(place > half, ranked[:, half, None], ranked[:, half + 1, None])
    if count % 2 == 0:
        found = upper
    else:
        lower = np.where(place > half - 1, ranked[:, half - 1, None], ranked[:, half, None])
        found = (lower + upper) / 2
    unknown = np.isnan(rows)
    return np.where(unknown.sum(axis=1, keepdims=True) > unknown, np.nan, found)
