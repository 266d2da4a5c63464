"""Cells and packs on the trust bench: every stated interval against cells of ``pybamm``."""

import contextlib
import math
import random
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np

from sagline_analyser.findings.belief.history import PackHistory
from trust.cells_model import MAKES, Make
from trust.cells_read import Said, Told, read
from trust.cells_rides import CannotSolve, Made, make_ride_of
from trust.table import Case, Event, event_table, interval_table, size_table, width_table

ENOUGH, KNEE = 0.4, 0.12
"""Share of its capacity that a cell gave, or state of charge that it came down to, from which a
ride can tell a small cell from a usual one: claims are counted apart."""

FAMILIES = tuple(dict.fromkeys(make.family for make in MAKES))


CHARGE = "Cells: states of charge and rests, errors in their unit"
SIZES = "Cells: resistances, capacities and ranges"
CLAIMS = "Cells: what was claimed"

ERRORS = "Cells: states of charge, size of the error"

WIDTHS = "Cells: at how many times its width an interval would hold so many"

Rows = dict[str, list[Any]]
"""By table, a list of :class:`Case`; of claims a list of :class:`Event`."""


def rows(cases: int, seed: int) -> Rows:
    """Return the rows of ``cases`` rides of each family from ``seed`` on, by table."""
    found: Rows = {CHARGE: [], SIZES: [], CLAIMS: []}
    for one in rides(cases, seed):
        for name, some in rows_of(one).items():
            found[name] += some
    return found


def rows_of(one: Made) -> Rows:
    """Return the rows of one ride, by table."""
    said = judge(one)
    return {CHARGE: voltages(one, said), SIZES: shares(one, said), CLAIMS: claims(one, said)}


def tables_of(found: Rows) -> list[tuple[str, str]]:
    """Return the tables of :func:`rows`."""
    titles = (CHARGE, ERRORS, SIZES, WIDTHS)
    return [
        *interval_tables(titles, found[CHARGE], found[SIZES]),
        (CLAIMS, event_table(found[CLAIMS])),
    ]


def interval_tables(
    titles: tuple[str, str, str, str], absolute: Sequence[Case], relative: Sequence[Case]
) -> list[tuple[str, str]]:
    """Return four tables under their titles: figures whose errors are told in their unit, how large
    those of charge are, figures whose errors are shares, and the widths of all."""
    tables = (
        interval_table(absolute, False),
        charge_sizes(absolute),
        interval_table(relative),
        width_table([*absolute, *relative]),
    )
    return list(zip(titles, tables, strict=True))


def charge_sizes(cases: Sequence[Case]) -> str:
    """Return the table of how large the errors of states of charge were."""
    return size_table(case for case in cases if "charge" in case.what and case.unit == "points")


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the tables of ``cases`` rides of each family from ``seed`` on."""
    return tables_of(rows(cases, seed))


def rides(
    cases: int,
    seed: int,
    start: Callable[[random.Random], float] | None = None,
    makes: Sequence[Make] = MAKES,
) -> Iterator[Made]:
    """Yield ``cases`` rides of each family, in turn; a seed whose cells could not give its load, or
    that never got under way, is passed over.  ``start`` draws the states of charge that the packs
    set out with, in place of the ride's own chance."""
    ahead = dict.fromkeys(FAMILIES, seed)
    for _ in range(cases):
        for family in FAMILIES:
            of_family = [make for make in makes if make.family == family]
            one = None
            while one is None:
                chance = random.Random(f"make {family} {ahead[family]}")
                with contextlib.suppress(CannotSolve):
                    make = chance.choice(of_family)
                    one = make_ride_of(ahead[family], make, start=start and start(chance))
                    if not one.truth.load:
                        one = None
                ahead[family] += 1
            yield one


def judge(one: Made, history: PackHistory | None = None) -> Said:
    """Return what the analyser says, of another pack of the same size too."""
    pack = one.truth.pack
    return read(one.ride, one.board, pack.stated * pack.parallel, history)


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
        found.append(case_of(one, "rest at the end, a cell", rest, said.rest.get(cell), 1000, "mV"))
    return found


def _charge(one: Made, what: str, truth: float, told: Told | None, unsafe: str = "") -> list[Case]:
    """Return a state of charge, and as a row of its own one of which only the ends are told."""
    if told is None or not math.isnan(told.value):
        return [case_of(one, what, truth, told, 100, "points", unsafe)]
    return [
        case_of(one, what, truth, None, 100, "points", unsafe),
        case_of(one, f"{what}, only its ends told", truth, told, 100, "points"),
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
            found.append(
                case_of(one, what, 1000 * truth.pulses(cell, load)[which], told, 1000, "mΩ")
            )
        size = truth.cells[cell - 1].capacity
        told = said.capacity.get(cell)
        found.append(case_of(one, "capacity of a cell", size, told, 1, "Ah", "above"))
    if (left := truth.distance()) > 0.5:
        found.append(case_of(one, "range left", left, said.left, 1, "km", "above"))
    other = truth.pack.stated * truth.pack.parallel
    found.append(
        case_of(one, "range of another pack", truth.distance(other), said.other, 1, "km", "above")
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


def case_of(
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
