"""Cells and packs on the trust bench: every stated interval against cells of ``pybamm``."""

from collections.abc import Iterator

import numpy as np

from trust.cells_read import Said, Told, read
from trust.cells_rides import CannotSolve, Made, make_ride_of
from trust.table import Case, Event, event_table, interval_table


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the tables of ``cases`` rides from ``seed`` on."""
    absolute, relative, events = [], [], []
    for one in rides(cases, seed):
        said = judge(one)
        absolute += voltages(one, said)
        relative += shares(one, said)
        events += claims(one, said)
    return [
        (
            "Cells: states of charge and rests, errors in their unit",
            interval_table(absolute, False),
        ),
        ("Cells: resistances, capacities and ranges", interval_table(relative)),
        ("Cells: what was claimed", event_table(events)),
    ]


def rides(cases: int, seed: int) -> Iterator[Made]:
    """Yield ``cases`` rides; a seed whose cells could not give its load is passed over."""
    made = 0
    while made < cases:
        try:
            yield make_ride_of(seed)
            made += 1
        except CannotSolve:
            pass
        seed += 1


def judge(one: Made) -> Said:
    """Return what the analyser says, of another pack of the same size too."""
    pack = one.truth.pack
    return read(one.ride, one.board, pack.stated * pack.parallel)


def voltages(one: Made, said: Said) -> list[Case]:
    """Return the figures whose errors are told in points and mV."""
    truth = one.truth
    start, end = (
        100 * float(np.mean([getattr(cell, end) for cell in truth.cells]))
        for end in ("start", "end")
    )
    found = [
        _case(one, "state of charge, start", start, said.start, 100, "points"),
        _case(one, "state of charge, end", end, said.end, 100, "points", "above"),
    ]
    for cell in _shown(one):
        rest = 1000 * truth.cells[cell - 1].rest_end
        found.append(_case(one, "rest at the end, a cell", rest, said.rest.get(cell), 1000, "mV"))
    return found


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
        if cell in said.capacity:
            size = truth.cells[cell - 1].capacity
            found.append(_case(one, "capacity of a cell", size, said.capacity[cell], 1, "Ah",
                               "above"))  # fmt: skip
    if (left := truth.distance()) > 0.5:
        found.append(_case(one, "range left", left, said.left, 1, "km", "above"))
    other = truth.pack.stated * truth.pack.parallel
    found.append(_case(one, "range of another pack", truth.distance(other), said.other, 1, "km",
                       "above"))  # fmt: skip
    return found


def claims(one: Made, said: Said) -> list[Event]:
    """Return what was named and what was so."""
    odd, family, seed = one.truth.pack.odd, one.truth.pack.make.family, one.truth.seed
    found = []
    for what, named, amount in (
        ("resistive cell", said.resistive, odd.contact if odd else 0),
        ("small cell", said.small, odd.smaller if odd else 0),
        ("cell behind in charge", said.behind, odd.behind if odd else 0),
    ):
        true = amount > 0
        right = odd is not None and named[:1] == (odd.cell,) if true else bool(named)
        found.append(Event(f"{what} named first", family, seed, true, right))
    return found


def _shown(one: Made) -> tuple[int, ...]:
    """One usual cell and the odd one."""
    odd = one.truth.pack.odd
    usual = 1 if odd is None or odd.cell != 1 else 2
    return (usual,) if odd is None else (usual, odd.cell)


def _case(
    one: Made, what: str, truth: float, told: Told | None, scale: float, unit: str,
    unsafe: str = "",
) -> Case:  # fmt: skip
    family, seed = one.truth.pack.make.family, one.truth.seed
    if told is None:
        return Case(what, family, seed, truth, None, unit=unit, unsafe=unsafe)
    return Case(what, family, seed, truth, scale * told.value, scale * told.low,
                scale * told.high, unit, unsafe)  # fmt: skip
