"""What each pack gave, how full it was, and how far it and another one would go."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ...load.ride import Ride
from ..belief.charge import Charge
from ..belief.curves import shares_of_kinds
from ..belief.estimate import NORMAL
from ..belief.rests import Rests
from ..cells.fitted import Asked, PackFit
from ..readings.coverage import ALL, ENOUGH, Coverage, coverage
from ..readings.electric import cells_together
from ..readings.gathered import Gathered
from ..readings.packs import MANY, PackSpan, during, pack_capacity
from ..readings.series import Array, integral, integral_above_zero, interpolate
from ..readings.unknown import NotKnown
from ..telling.answer import Answer, Figure, Urgency
from ..telling.certainty import MOST
from ..telling.picture import Bar, Bars, Picture
from .charge_state import CLOSE, ChargeState, charge_state
from .consumption import measure_consumption, power
from .reported_charge import compared, last_report

SIZES = (8.0, 10.0, 12.0, 15.0, 20.0)
"""Ah of the full packs whose range is told beside the stated one's (our choice)."""

OF_LATE, NEARLY_LOAD, LONG_ENOUGH = 240.0, 0.9, 5.0
"""s before a pack's end whose readings tell what it can do now, the share of the mean driving load
from which they count, and the s of them that it takes (our choice)."""

QUESTION = "What did the pack give, and how far will it go?"

NEAR_EMPTY, NEAR_EMPTY_SPREAD = 1.0, 0.1
"""Factor by which a cell's resistance near its end exceeds the ride's, and the standard deviation
of its logarithm (our judgement: reaction slows down towards empty)."""

DIFFUSION, DIFFUSION_OF = {"iron": 400.0, "": 110.0}, 0.1
DIFFUSION_SPREAD = {"iron": 0.5, "": 0.45}
"""s, by kind of cell, and standard deviation of its logarithm: the charge by which the surface of
an electrode's particles is ahead of their mean is the current times that (R²/(15·D) of a sphere,
textbook; near their end, published cells show 30 to 340 s, iron phosphate up to 600 s).  It holds
for a cell that loses DIFFUSION_OF V in 10 s to as many A as it has Ah, and goes with that loss's
root: cells made for hard loads, and warm ones, are quicker in both."""

END_VOLTS, END_CHARGE = 0.04, 0.03
"""V, and share of charge, by which a cell's own curve near its end leaves the family's nearest one
(standard deviations of a make that is not known, about those of :mod:`.belief.charge`; of one that
is known their part alone)."""

NEW_LESS, NEW = -0.015, 0.015
"""Natural logarithm of another pack's capacity over the one asked for: mean and standard deviation
(our judgement: it is asked for as what it holds, and cells of one lot differ by 1 to 2 %)."""

UNSEEN = 0.02
"""Share of charge by which the lowest cell of a pack lies below the mean where no cell voltages
were read (our judgement)."""

LEAST = {"iron": 0.05, "": 0.07}
"""Share of the draws, by kind of cell, that lies below the distance told as the least.  19 of 20
packs go it, not 14 of 15: the draws spread further than cells of published makes do, but for those
of iron phosphate (docs/trust_tables.md)."""

RATE_ERROR = 0.01
"""Standard deviation of the ride's Wh/km as its share, from the sensors of current, voltage and
speed alone (of the 177 rides that this was chosen on; docs/trust_tables.md)."""

VAGUE_SHARE = 0.25
"""Share of the middle distance below which the least one is not told where the charge is not known
closely either: a rider could not plan with it (our choice)."""

MOST_FACTOR = 50.0
"""Times the stated capacity up to which another pack's is sought."""


@dataclass(frozen=True)
class PackUse:
    """Charge in Ah and energy in Wh that one pack gave and took back, and how full it was.

    ``covered`` says over what share of its time that is known; below ``ENOUGH`` it is not told.
    """

    span: PackSpan
    charge_drawn: float
    charge_returned: float
    energy_drawn: float
    energy_returned: float
    state: ChargeState | NotKnown
    covered: Coverage

    @property
    def told(self) -> bool:
        """Whether enough of its time is known for a sum over it."""
        return self.covered.share >= ENOUGH


@dataclass(frozen=True)
class Reach:
    """How far: ``distance`` km, the middle of what is believed, with the half-width of its 90 %
    interval, and ``least``, which 19 of 20 such packs go, from ``start`` to ``stop`` (states of
    charge, 0 to 1) of ``capacity`` Ah.

    ``stop`` is where the first cell, under the power of the ride's mean driving current ``load`` A,
    comes down to ``reserve`` V; ``first`` is its number, None where cells are not told apart.
    ``vague`` says that the charge left is so little known that no distance is told.
    """

    distance: float
    error: float
    least: float
    start: float
    stop: float
    capacity: float
    load: float
    reserve: float
    first: int | None
    vague: bool = False


def pack_use(asked: Asked) -> tuple[PackUse, ...] | NotKnown:
    """Return what every pack of the ride gave."""
    it, packs = asked.basis, asked.packs
    current, drawing = it.current, power(it)
    if isinstance(drawing, NotKnown):
        return drawing
    found = []
    for pack in packs:
        amperes = during(current.series, pack.span) if current else drawing
        watts = during(drawing, pack.span)
        charge, energy = integral_above_zero(amperes) / 3600, integral_above_zero(watts) / 3600
        state = charge_state(pack, it.board, asked.history if pack is packs[-1] else None)
        covered = coverage(it.ride, watts, pack.span.start, pack.span.end)
        found.append(
            PackUse(
                pack.span,
                charge,
                charge - integral(amperes) / 3600,
                energy,
                energy - integral(watts) / 3600,
                state,
                covered,
            )
        )
    return tuple(found)


def capacity_for(
    it: Gathered,
    pack: PackFit,
    distance: float,
    state: ChargeState | NotKnown | None = None,
) -> tuple[float, float] | NotKnown:
    """Return the Ah of a full pack of like cells with which 19 of 20 go ``distance`` km, and of
    one with which half of them do."""
    how = way_of(it, pack, state)
    if isinstance(how, NotKnown):
        return how
    found = []

    def goes(capacity: float, surely: bool) -> bool:
        one = how.reach(capacity)
        return (one.least if surely else one.distance) >= distance

    for surely in (True, False):
        low, high = 0.0, how.stated * MOST_FACTOR
        if not goes(high, surely):
            return NotKnown(f"no pack of up to {high:.0f} Ah goes that far")
        while high - low > 0.01 * high:
            middle = (low + high) / 2
            low, high = (low, middle) if goes(middle, surely) else (middle, high)
        found.append(high)
    return found[0], found[1]


@dataclass(frozen=True)
class Way:
    """What every distance of one pack starts from."""

    pack: PackFit
    rests: Rests
    charge: Charge
    count: int
    reads: int
    """Cells that each voltage of ``rests`` is of."""
    stated: float
    reserve: float
    rate: float
    per_km: Array

    def reach(self, other: float | None) -> Reach:
        """Return how far the pack goes from where the ride left it.

        With ``other`` (Ah, as stated for the cells): how far a full pack of that capacity goes, of
        like cells, its resistance smaller as its capacity is greater.
        """
        charge, rests = self.charge, self.rests
        draws = len(charge.draws_end)
        chance = np.random.default_rng(1)
        normal = chance.standard_normal
        ohms = np.array([one.value for one in rests.ten]) / self.reads
        doubt = 1 + rests.ten[0].error / NORMAL / rests.ten[0].value * normal(draws)
        grown = NEAR_EMPTY * np.exp(NEAR_EMPTY_SPREAD * normal(draws)) * np.maximum(doubt, 0.3)
        usual = float(np.median(ohms))
        top = charge.full[charge.draws_curve]
        if other is None:
            held, middle = charge.draws_capacity, charge.draws_end
            cells = list(self._cells(ohms, normal))
            scale = 1.0
        else:
            held = other * np.exp(NEW_LESS + NEW * normal(draws)) / top
            middle = np.minimum(top, 1.0)
            cells, scale = [(None, usual, np.zeros(draws), np.ones(draws))], self.stated / other
        drive = rests.load * (float(np.median(rests.voltage)) / self.reads - usual * rests.load)
        last = max(drive / self.reserve, rests.load)  # the same power, at the reserve's voltage
        ahead_by = self._diffusion(normal) * last / 3600
        shift = END_VOLTS * charge.draws_astray * normal(draws)
        sideways = END_CHARGE * charge.draws_astray * normal(draws)
        even = chance.uniform(size=draws)
        ahead, stops, numbers = [], [], []
        for number, resistance, behind, size in cells:
            end = self.reserve + shift + last * resistance * scale * grown
            stop = charge.charge_far_off(end, even)
            # Diffusion costs charge, not volts: on a plateau it shows only where the plateau ends.
            stop = stop + sideways + ahead_by / (held * size)
            ahead.append((middle - behind / held - stop) * held * size)
            stops.append(stop)
            numbers.append(number)
        table = np.array(ahead)
        # The furthest below its end, where several are at it: they do not tie.
        firsts = np.argmin(table, axis=0)
        charge_left = np.maximum(table.min(axis=0), 0.0)
        stop = np.array(stops)[firsts, np.arange(draws)]
        lower = middle - charge_left / held
        volts = charge.mean_voltage(np.minimum(lower, middle), middle) - (
            usual * scale * rests.load * np.maximum(doubt, 0.3)
        )
        # In the mean cell's terms the first one to end ends the pack for all.
        kilometres = np.sort(charge_left * np.maximum(volts, 0.0) * self.count / self.per_km)
        distance = float(np.median(kilometres))
        least = float(np.quantile(kilometres, LEAST[_kind(charge)]))
        first = numbers[int(np.bincount(firsts).argmax())]
        return Reach(
            distance,
            float(np.quantile(np.abs(kilometres - distance), 0.9)),
            least,
            1.0 if other else charge.end.value,
            float(np.median(stop / top)),
            other or self.stated,
            rests.load,
            self.reserve,
            first,
            other is None and charge.end.error > CLOSE and least <= VAGUE_SHARE * distance,
        )

    def _diffusion(self, normal: Callable[..., Array]) -> Array:
        """Return draws of the s of load by which a cell's surface is ahead of its charge."""
        charge = self.charge
        ten = float(np.median([one.value for one in self.rests.ten])) / self.reads
        lost = max(ten * charge.capacity.value, 0.0) / DIFFUSION_OF
        kind = _kind(charge)
        middle = DIFFUSION[kind] * math.sqrt(lost)
        return middle * np.exp(DIFFUSION_SPREAD[kind] * normal(len(charge.draws_end)))

    def _cells(
        self, ohms: Array, normal: Callable[..., Array]
    ) -> Iterator[tuple[int | None, float, Array, Array]]:
        """Yield each cell's number, Ω, draws of the Ah it is behind and of its relative size."""
        draws = len(self.charge.draws_end)
        drawn = self.rests.drawn[1] - self.rests.drawn[0]
        if self.pack.unequal is None:
            share = UNSEEN * np.abs(normal(draws)) if not self.pack.cells else np.zeros(draws)
            yield None, float(np.median(ohms)), share * self.charge.draws_capacity, np.ones(draws)
            return
        for at, own in enumerate(self.pack.unequal):
            more, lag = own.draws.T
            number = self.pack.numbers[at]
            size = 1 / np.maximum(1 + more, 0.3)
            yield number, float(ohms[at]), lag + more * drawn, size


def way_of(it: Gathered, pack: PackFit, state: ChargeState | NotKnown | None) -> Way | NotKnown:
    """Return what every distance of ``pack`` starts from; ``state`` is its charge, if at hand."""
    battery = it.board.battery if it.board else None
    reserve = (battery.cell_alarm or battery.cell_stop) if battery else None
    capacity = pack_capacity(battery) if battery else None
    if battery is None or reserve is None or capacity is None:
        return NotKnown(
            "needs cell_alarm (or cell_stop) and each unit's cell_capacity in the board file"
        )
    rate = measure_consumption(it)
    if isinstance(rate, NotKnown):
        return rate
    if rate.whole.per_km <= 0:
        return NotKnown("the ride took no energy on the whole; it went downhill")
    state = state or charge_state(pack, it.board)
    if isinstance(state, NotKnown):
        return state
    if pack.rests is None:
        return NotKnown("needs the channel battery_current")
    # How the ride's parts differ is no error of the whole: the distance is for this ride's rate.
    chance = np.random.default_rng(2).standard_normal(len(state.belief.draws_end))
    per_km = rate.whole.per_km * (1 + RATE_ERROR * chance)
    reads = 1 if pack.cells else battery.cells
    return Way(
        pack,
        pack.rests,
        state.belief,
        battery.cells,
        reads,
        capacity,
        reserve,
        rate.whole.per_km,
        per_km,
    )


def pack_answer(asked: Asked) -> Answer:
    """Answer what each pack gave, how full it is, and how far it and another one would go.

    The other pack has the capacity asked for, or is one of the board file's size, charged full.
    """
    ride = asked.basis.ride
    uses = pack_use(asked)
    if isinstance(uses, NotKnown):
        return Answer.unanswered("pack_range", QUESTION, uses)
    verdicts, figures, details = [], [], []
    disagree: list[str] = []
    for use in uses:
        name = f"Pack {use.span.number}" if len(uses) > 1 else "The pack"
        prefix = f"pack {use.span.number}, " if len(uses) > 1 else ""
        net = use.charge_drawn - use.charge_returned
        energy = use.energy_drawn - use.energy_returned
        what = "gave" if net >= 0 else "took in, on the whole,"
        text = f"{name} {what} {abs(net):.2f} Ah ({abs(energy):.0f} Wh)"
        part = "" if use.covered.share >= ALL else f"; {use.covered.words}"
        if not use.told:
            text = f"What {name[0].lower()}{name[1:]} gave cannot be told: {use.covered.words}"
        else:
            text += f", {use.covered.words}" if part else ""
            figures += [
                Figure(f"{prefix}charge, net", net, "Ah", None, f"∫ current dt{part}"),
                Figure(f"{prefix}energy, net", energy, "Wh", None, f"∫ power dt{part}"),
                Figure(
                    f"{prefix}energy given back",
                    use.energy_returned,
                    "Wh",
                    None,
                    f"−∫ power dt while negative{part}",
                ),
            ]
        if use.span.swapped:
            details.append(f"{name} is taken for another one, because {use.span.swapped}.")
        if isinstance(use.state, NotKnown):
            details.append(f"{name}: how full it is cannot be told: {use.state.reason}.")
        else:
            full = f"{use.state.words} full"
            text += f"{',' if part else ''} and is {full}" if use.told else f"; it is {full}"
            figures += _charge_figures(f"{prefix}state of charge at the end", use.state)
            if not use.state.close:
                details.append(f"{name}: {_not_closer(use.state.belief)}.")
            details.append(f"{name}, state of charge: {use.state.how}.")
            if (report := last_report(ride, use.span.start, use.span.end)) is not None:
                said, apart = compared(report, use.state.within, use.state.words)
                told = f"{name}, state of charge at the end: {said}."
                if apart:
                    disagree.append(told)
                else:
                    details.append(told)
                figures.append(
                    Figure(
                        f"{prefix}state of charge that the board reports",
                        100 * report.charge,
                        "%",
                        None,
                        f"state_of_charge at {report.time:.0f} s",
                    )
                )
        verdicts.append(text)
    lines, more, near = _reaches(asked, uses[-1].state)
    if len(uses) > MANY:
        details = [*(f"{one}." for one in verdicts), *details]
        known = [use for use in uses if use.told]
        verdicts = [_together(known)] if known else verdicts[:1]
    verdict = " ".join(["; ".join(verdicts) + ".", lines[0], *disagree])
    evidence = tuple((use.span.start, use.span.end) for use in uses)
    answer = Answer(
        "pack_range", QUESTION, verdict, (*figures, *more), evidence, (*lines[1:], *details)
    )
    return answer.in_short(*_in_short(ride, uses, more, near))


def _in_short(
    ride: Ride, uses: Sequence[PackUse], ways: Sequence[Figure], near: bool
) -> tuple[str, Urgency, Picture | None]:
    """Return the card's line, its urgency, and the charge left in each pack; ``near`` says that the
    log does not deny that the reserve may be reached.

    What the board reports of the last pack stands beside ours.
    """
    bars = tuple(
        _bar(f"pack {use.span.number}", use.state)
        for use in uses[-6:]
        if not isinstance(use.state, NotKnown)
    )
    report = last_report(ride, uses[-1].span.start, uses[-1].span.end)
    if bars and report is not None:
        bars += (Bar("the board reports", 100 * report.charge),)
    picture = Bars("%", bars, 100.0, "full", "charge left at the end") if bars else None
    left = next((way.value for way in ways if way.label == "range left, at least"), None)
    if left is None:
        if not all(use.told for use in uses):
            line = "Too little is known to say what it gave or how far it goes"
            return line, Urgency.LOOK, picture
        net = sum(use.charge_drawn - use.charge_returned for use in uses)
        line = f"{net:.2f} Ah drawn; how far it goes cannot be told"
        if not isinstance(uses[-1].state, NotKnown) and not uses[-1].state.close:
            line += ": charge it, mark it full"
        return line, Urgency.LOOK, picture
    state = uses[-1].state
    apart = (
        report is not None
        and not isinstance(state, NotKnown)
        and compared(report, state.within, state.words)[1]
    )
    if apart and left > 0:
        assert report is not None and not isinstance(state, NotKnown)
        ours = f"{state.end:.0%}" if state.close else state.words
        line = f"The board reports {report.charge:.0%} left, we find {ours}"
        return line, Urgency.LOOK, picture
    if left <= 0 and not near:
        line = "How far it goes is hardly told: charge it before you rely on it"
        return line, Urgency.LOOK, picture
    if left <= 0:
        return "May be at its reserve already: charge or swap", Urgency.ACT, picture
    return f"At least {_down(left)} km left, ridden like this", Urgency.LOOK, picture


def _bar(label: str, state: ChargeState) -> Bar:
    low, high = (min(max(100 * end, 0.0), 100.0) for end in state.within)
    return Bar(label, 100 * state.end, low, high) if state.close else Bar(label, low, low, high)


def _charge_figures(label: str, state: ChargeState) -> list[Figure]:
    """Return a state of charge as one figure, or as the two that it lies between."""
    if state.close:
        return [Figure(label, 100 * state.end, "%", 100 * state.end_error, state.how)]
    low, high = (100 * end for end in state.within)
    how = f"{state.how}; 9 of 10 such packs lie between"
    return [
        Figure(f"{label}, from", math.floor(low), "%", None, how),
        Figure(f"{label}, to", math.ceil(high), "%", None, how),
    ]


def _together(uses: Sequence[PackUse]) -> str:
    net = [use.charge_drawn - use.charge_returned for use in uses]
    energy = sum(use.energy_drawn - use.energy_returned for use in uses)
    return (
        f"{len(uses)} packs gave {min(net):.2f} to {max(net):.2f} Ah each, together {sum(net):.2f} "
        f"Ah ({energy:.0f} Wh)"
    )


def _last_shown(it: Gathered, pack: PackFit, load: float) -> float | None:
    """Return the lowest V that a cell showed of late under ``load`` A or more; None where none was
    read for long enough."""
    if it.current is None or not pack.cells:
        return None
    lowest = during(cells_together(it.ride, "min"), pack.span)
    recent = lowest.time >= pack.span.end - OF_LATE
    at = lowest.time[recent]
    under = interpolate(it.current.series, at + pack.skew) >= NEARLY_LOAD * load
    if len(at) < 2 or np.count_nonzero(under) * float(np.median(np.diff(at))) < LONG_ENOUGH:
        return None
    return float(np.min(lowest.value[recent][under]))


def _reaches(asked: Asked, state: ChargeState | NotKnown) -> tuple[list[str], list[Figure], bool]:
    """Return what is told of how far it goes, its figures, and whether the reserve may be reached
    for all that the log shows."""
    it, pack = asked.basis, asked.packs[-1]
    way = way_of(it, pack, state)
    if isinstance(way, NotKnown):
        return [f"How far it goes cannot be told: {way.reason}."], [], True
    now = way.reach(None)
    cell = "its lowest cell" if now.first is None else f"cell {now.first}, the first to end,"
    # Only a reserve that may be reached is held against what was read.
    none_left = not now.vague and min(now.least, now.distance) <= 0
    shown = _last_shown(it, pack, now.load) if none_left else None
    near = shown is None or shown <= now.reserve
    if now.vague:
        lines = [_vague(way.charge)]
    elif now.distance <= 0 and shown is not None and not near:
        lines = [
            f"How far it goes cannot be told: by its resistance {cell} would come to the reserve "
            f"of {now.reserve:.2f} V under the mean driving load of {now.load:.0f} A, but under as "
            f"much no cell read less than {shown:.2f} V of late. Charge it before you rely on it."
        ]
    elif now.distance <= 0:
        lines = [
            f"Under the mean driving load of {now.load:.0f} A {cell} is already down to the "
            f"reserve of {now.reserve:.2f} V: charge it, or swap it."
        ]
    else:
        lines = [
            f"Ridden like this it goes at least {_down(now.least)} km further ({MOST} such "
            f"packs), about {_down(now.distance)} km, at its {way.rate:.1f} Wh/km, until {cell} "
            f"comes to {now.reserve:.2f} V under the mean driving load of {now.load:.0f} A."
        ]
    how = "usable charge × voltage ÷ Wh/km of this ride"
    figures = []
    if not now.vague and (near or now.distance > 0):
        figures += [
            Figure("range left, at least", now.least, "km", None, f"{how}; {MOST} go so far"),
            Figure("range left", now.distance, "km", now.error, how),
        ]
    other = way.reach(asked.other_capacity or now.capacity)
    label = f"range of a full pack of {other.capacity:g} Ah"
    figures += [
        Figure(f"{label}, at least", other.least, "km", None, f"{how}; {MOST} go so far"),
        Figure(label, other.distance, "km", other.error, how),
    ]
    lines.append(
        f"A full pack of {other.capacity:g} Ah of like cells would go at least "
        f"{_down(other.least)} km ({MOST}), about {_down(other.distance)} km; each further Ah is "
        f"worth some {other.distance / other.capacity:.2f} km."
    )
    sizes = "; ".join(f"{ah:g} Ah {_down(way.reach(ah).least)} km" for ah in SIZES)
    lines.append(f"Other full packs of like cells, at least: {sizes} (19 of 20).")
    if asked.plan is not None:
        lines.append(_planned(it, pack, state, asked.plan, figures))
    lines.append(
        "Under harder load than the mean the reserve voltage comes earlier; wind, hills, cold and "
        "age all shorten the way."
    )
    return lines, figures, near


def _flat(charge: Charge) -> bool:
    """Whether the cells' voltage hardly tells their charge: iron phosphate."""
    return shares_of_kinds(charge.names).get("iron", 0.0) > 0.5


def _kind(charge: Charge) -> str:
    """Return which constants hold for the cells."""
    return "iron" if _flat(charge) else ""


def _why_vague(charge: Charge) -> str:
    return (
        "its voltage hardly changes over most of its charge"
        if _flat(charge)
        else "its voltages fit more than one make of cell, and so more than one charge"
    )


def _not_closer(charge: Charge) -> str:
    return (
        f"how full it is cannot be told closer, because {_why_vague(charge)}; a ride that starts "
        "full, or earlier rides of the pack, would tell"
    )


def _vague(charge: Charge) -> str:
    """Say that no distance is told, why, and what would tell it."""
    return (
        "How far it goes cannot be told from this pack's voltage: "
        f"{_why_vague(charge)}. Start from a full charge, say so with a mark full, and it can; "
        "until then charge it before you rely on it."
    )


def _planned(
    it: Gathered,
    pack: PackFit,
    state: ChargeState | NotKnown,
    plan: float,
    figures: list[Figure],
) -> str:
    wanted = capacity_for(it, pack, plan, state)
    if isinstance(wanted, NotKnown):
        return f"Which pack goes {plan:g} km cannot be told: {wanted.reason}."
    sure, even = (math.ceil(10 * one) / 10 for one in wanted)
    figures.append(
        Figure(f"pack for {plan:g} km", sure, "Ah", None, f"full, of like cells; {MOST} go so far")
    )
    return (
        f"For {plan:g} km ridden like this take a full pack of {sure:.1f} Ah of like cells or more "
        f"({MOST} such packs go so far; with {even:.1f} Ah only half of them)."
    )


def _down(distance: float) -> str:
    """Never round towards further."""
    return f"{math.floor(10 * distance) / 10:.1f}"
