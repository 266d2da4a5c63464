"""Cells and packs on the trust bench: every stated interval against cells of ``pybamm``."""

import contextlib
import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from sagline_analyser.findings.belief.history import PackHistory, RideRests
from sagline_analyser.findings.belief.rest_points import rest_points
from sagline_analyser.findings.readings.packs import pack_spans
from sagline_analyser.findings.readings.said_full import SETTING
from trust.cells_model import MAKES
from trust.cells_read import Said, Told, read
from trust.cells_rides import CannotSolve, Made, make_ride_of
from trust.table import Case, Event, event_table, interval_table, size_table, width_table

ENOUGH, KNEE = 0.4, 0.12
"""Share of its capacity that a cell gave, or state of charge that it came down to, from which a
ride can tell a small cell from a usual one: claims are counted apart."""

FULL, SAID = 0.97, ", said to start full"
"""State of charge from which a rider calls a pack full, and the rows of packs so called."""

FAMILIES = tuple(dict.fromkeys(make.family for make in MAKES))


CHARGE = "Cells: states of charge and rests, errors in their unit"
SIZES = "Cells: resistances, capacities and ranges"
CLAIMS = "Cells: what was claimed"

ERRORS = "Cells: states of charge, size of the error"

WIDTHS = "Cells: at how many times its width an interval would hold so many"

EARLIER = "Cells, with three earlier rides of the pack"
EARLIER_RESTS = f"{EARLIER}: rests kept"
EARLIER_CHARGE = f"{EARLIER}: states of charge and rests"
EARLIER_ERRORS = f"{EARLIER}: states of charge, size of the error"
EARLIER_SIZES = f"{EARLIER}: resistances, capacities and ranges"

Rows = dict[str, list[Any]]
"""By table, a list of :class:`Case`; of claims a list of :class:`Event`."""


def rows(cases: int, seed: int) -> Rows:
    """Return the rows of ``cases`` rides of each family from ``seed`` on, by table."""
    absolute, relative, events = [], [], []
    for one in rides(cases, seed):
        said = judge(one)
        absolute += voltages(one, said)
        relative += shares(one, said)
        events += claims(one, said)
        if (full := said_full(one)) is not None:
            absolute += [
                _named(case, SAID) for case in voltages(one, full) if "charge" in case.what
            ]
            relative += [_named(c, SAID) for c in shares(one, full) if c.what == "range left"]
    return {CHARGE: absolute, SIZES: relative, CLAIMS: events}


def tables_of(found: Rows) -> list[tuple[str, str]]:
    """Return the tables of :func:`rows`."""
    absolute, relative, events = found[CHARGE], found[SIZES], found[CLAIMS]
    return [
        (CHARGE, interval_table(absolute, False)),
        (ERRORS, charge_sizes(absolute)),
        (SIZES, interval_table(relative)),
        (WIDTHS, width_table([*absolute, *relative])),
        (CLAIMS, event_table(events)),
    ]


def charge_sizes(cases: Sequence[Case]) -> str:
    """Return the table of how large the errors of states of charge were."""
    return size_table(case for case in cases if "charge" in case.what and case.unit == "points")


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the tables of ``cases`` rides of each family from ``seed`` on."""
    return tables_of(rows(cases, seed))


def history_rows(cases: int, seed: int) -> Rows:
    """Return the rows of ``cases`` rides of each family, each judged with three earlier ones."""
    absolute, relative, rests = [], [], []
    for one in rides(cases, seed):
        before = earlier(one)
        rests += [case for ride in before for case in remembered_rests(ride)]
        said = judge(one, history_of(before))
        absolute += voltages(one, said)
        relative += shares(one, said)
    return {EARLIER_RESTS: rests, EARLIER_CHARGE: absolute, EARLIER_SIZES: relative}


def history_tables_of(found: Rows) -> list[tuple[str, str]]:
    """Return the tables of :func:`history_rows`."""
    absolute = found[EARLIER_CHARGE]
    return [
        (EARLIER_RESTS, interval_table(found[EARLIER_RESTS], False)),
        (EARLIER_CHARGE, interval_table(absolute, False)),
        (EARLIER_ERRORS, charge_sizes(absolute)),
        (EARLIER_SIZES, interval_table(found[EARLIER_SIZES])),
    ]


def history_tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the tables of ``cases`` rides of each family, each judged with three earlier ones."""
    return history_tables_of(history_rows(cases, seed))


def rides(cases: int, seed: int) -> Iterator[Made]:
    """Yield ``cases`` rides of each family, in turn; a seed whose cells could not give its load, or
    that never got under way, is passed over."""
    ahead = dict.fromkeys(FAMILIES, seed)
    for _ in range(cases):
        for family in FAMILIES:
            makes = [make for make in MAKES if make.family == family]
            one = None
            while one is None:
                chance = random.Random(f"make {family} {ahead[family]}")
                with contextlib.suppress(CannotSolve):
                    one = make_ride_of(ahead[family], chance.choice(makes))
                    if not one.truth.load:
                        one = None
                ahead[family] += 1
            yield one


def judge(one: Made, history: PackHistory | None = None) -> Said:
    """Return what the analyser says, of another pack of the same size too."""
    pack = one.truth.pack
    return read(one.ride, one.board, pack.stated * pack.parallel, history)


def said_full(one: Made) -> Said | None:
    """Return what the analyser says where the rider marked the pack full; None if it was not."""
    if float(np.mean([cell.start for cell in one.truth.cells])) < FULL:
        return None
    settings = {**one.ride.settings, SETTING: "full"}
    return judge(replace(one, ride=replace(one.ride, settings=settings)))


def _named(case: Case, suffix: str) -> Case:
    return replace(case, what=f"{case.what}{suffix}")


def earlier(one: Made, count: int = 3) -> list[Made]:
    """Return earlier rides of a ride's pack, by chance full or not when they set out."""
    found, seed = [], 1_000_000 + 100 * one.truth.seed
    chance = random.Random(seed)
    while len(found) < count:
        start = chance.choice((1.0, chance.uniform(0.55, 0.98)))
        with contextlib.suppress(CannotSolve):
            found.append(make_ride_of(seed, pack=one.truth.pack, start=start))
        seed += 1
    return found


def history_of(before: Sequence[Made]) -> PackHistory:
    """Return what the rides index would hand over of earlier rides."""
    rides = []
    for one in before:
        points = rest_points(one.ride, pack_spans(one.ride)[-1])
        rides.append(RideRests(str(one.truth.seed), one.ride.started_wall, points))
    return PackHistory("bench", tuple(rides))


def remembered_rests(one: Made) -> list[Case]:
    """Return how a ride's first and last rests hold, cell 1 standing for all, and the charge
    between them."""
    points = rest_points(one.ride, pack_spans(one.ride)[-1])
    cell, found = one.truth.cells[0], []
    for at, truth, what in ((0, cell.rest_start, "first"), (-1, cell.rest_end, "last")):
        # A ride that begins or ends under way has no rest just there.
        if not points:
            continue
        away = points[0].time - points[0].rested if at == 0 else one.ride.duration - points[-1].time
        if away > 1.0 or (at == -1 and len(points) < 2):
            continue
        volts, error = points[at].voltages[0], points[at].error
        told = Told(volts, volts - error, volts + error)
        found.append(_case(one, f"{what} rest", 1000 * truth, told, 1000, "mV"))
    if len(found) == 2:
        point = points[-1]
        told = Told(
            point.charge, point.charge - point.charge_error, point.charge + point.charge_error
        )
        drawn = (cell.start - cell.end) * cell.capacity
        found.append(_case(one, "charge between them", drawn, told, 1, "Ah"))
    return found


def voltages(one: Made, said: Said) -> list[Case]:
    """Return the figures whose errors are told in points and mV."""
    truth = one.truth
    start, end = (
        100 * float(np.mean([getattr(cell, end) for cell in truth.cells]))
        for end in ("start", "end")
    )
    found = [
        *_charge(one, "state of charge, start", start, said.start),
        *_charge(one, "state of charge, end", end, said.end, "above"),
    ]
    for cell in _shown(one):
        rest = 1000 * truth.cells[cell - 1].rest_end
        found.append(_case(one, "rest at the end, a cell", rest, said.rest.get(cell), 1000, "mV"))
    return found


def _charge(one: Made, what: str, truth: float, told: Told | None, unsafe: str = "") -> list[Case]:
    """Return a state of charge, and as a row of its own one of which only the ends are told."""
    if told is None or not math.isnan(told.value):
        return [_case(one, what, truth, told, 100, "points", unsafe)]
    return [
        _case(one, what, truth, None, 100, "points", unsafe),
        _case(one, f"{what}, only its ends told", truth, told, 100, "points"),
    ]


def shares(one: Made, said: Said) -> list[Case]:
    """Return the figures whose errors are shares of the truth."""
    truth = one.truth
    found = []
    for cell in _shown(one):
        for what, told, which in (
            ("resistance at once, a cell", said.step.get(cell), 0),
            ("resistance after 10 s, a cell", said.ten.get(cell), 1),
        ):
            load = told.current if told and told.current else truth.load
            found.append(_case(one, what, 1000 * truth.pulses(cell, load)[which], told, 1000, "mΩ"))
        size = truth.cells[cell - 1].capacity
        told = said.capacity.get(cell)
        found.append(_case(one, "capacity of a cell", size, told, 1, "Ah", "above"))
    if (left := truth.distance()) > 0.5:
        found.append(_case(one, "range left", left, said.left, 1, "km", "above"))
    other = truth.pack.stated * truth.pack.parallel
    found.append(
        _case(one, "range of another pack", truth.distance(other), said.other, 1, "km", "above")
    )
    return found


def claims(one: Made, said: Said) -> list[Event]:
    """Return what was named and what was so.

    A small cell is a stiff one too, and is behind once charge is drawn: it is no case of the
    other two claims.
    """
    odd, family, seed = one.truth.pack.odd, one.truth.pack.make.family, one.truth.seed
    found = []
    for what, named, amount in (
        ("resistive cell", said.resistive, odd.contact if odd else 0),
        ("small cell", said.small, odd.smaller if odd else 0),
        ("cell behind in charge", said.behind, odd.behind if odd else 0),
    ):
        if odd and odd.smaller and what != "small cell":
            continue
        right = named[:1] == (odd.cell,) if odd and amount else bool(named)
        which = "" if what != "small cell" else ", much drawn" if _enough(one) else ", little drawn"
        found.append(Event(f"{what} named first{which}", family, seed, amount > 0, right))
    if odd is None:
        anything = bool(said.resistive or said.small or said.behind)
        found.append(Event("any cell of a sound pack named", family, seed, False, anything))
    return found


def _enough(one: Made) -> bool:
    """Whether the ride drew so much that a small cell shows."""
    odd = one.truth.pack.odd
    cell = one.truth.cells[odd.cell - 1 if odd else 0]
    return cell.start - cell.end > ENOUGH or cell.end < KNEE


def _shown(one: Made) -> tuple[int, ...]:
    """One usual cell and the odd one."""
    odd = one.truth.pack.odd
    usual = 1 if odd is None or odd.cell != 1 else 2
    return (usual,) if odd is None else (usual, odd.cell)


def _case(
    one: Made,
    what: str,
    truth: float,
    told: Told | None,
    scale: float,
    unit: str,
    unsafe: str = "",
) -> Case:
    family, seed = one.truth.pack.make.family, one.truth.seed
    if told is None:
        return Case(what, family, seed, truth, None, unit=unit, unsafe=unsafe)
    return Case(
        what,
        family,
        seed,
        truth,
        scale * told.value,
        scale * told.low,
        scale * told.high,
        unit,
        unsafe,
    )
