"""Cells of an unknown make: the truth's own curve is taken out of the analyser's family.

The other benches' makes are among the curves of :mod:`sagline_analyser.findings.belief.curves`;
here none is, as for a cell that nobody has published.
"""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager

from sagline_analyser.findings.belief import charge
from sagline_analyser.findings.belief.history import PackHistory
from trust import cells_bench
from trust.cells_bench import interval_tables, judge, rides, rows_of
from trust.cells_read import Said
from trust.cells_rides import Made
from trust.table import Case

SAME = {"Chen2020": ("Chen2020", "ORegan2022")}
"""Curves of one cell, measured twice."""


WHAT = "Cells of a make that is not among the curves"
CHARGE = f"{WHAT}: states of charge and rests"
ERRORS = f"{WHAT}: states of charge, size of the error"
SIZES = f"{WHAT}: capacities and ranges"
WIDTHS = f"{WHAT}: at how many times its width an interval would hold so many"

OTHER = ", of a make that is not among the curves"
"""What the second tables of a bench are of that asks its rides with the own curve and without."""

Rows = dict[str, list[Case]]


def rows(cases: int, seed: int) -> Rows:
    """Return the rows of ``cases`` rides of each family from ``seed`` on, by table."""
    found: Rows = {CHARGE: [], SIZES: []}
    for one in rides(cases, seed):
        with unknown(one):
            said = rows_of(one)
        found[CHARGE] += said[cells_bench.CHARGE]
        # Resistances do not rest on a curve.
        sizes = said[cells_bench.SIZES]
        found[SIZES] += [case for case in sizes if not case.what.startswith("resistance")]
    return found


def tables_of(found: Rows) -> list[tuple[str, str]]:
    """Return the tables of :func:`rows`."""
    return interval_tables((CHARGE, ERRORS, SIZES, WIDTHS), found[CHARGE], found[SIZES])


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the tables of ``cases`` rides of each family from ``seed`` on."""
    return tables_of(rows(cases, seed))


@contextmanager
def unknown(one: Made) -> Iterator[None]:
    """Leave out the curve of a ride's cells."""
    make, known = one.truth.pack.make, charge.CURVES
    own = make.potentials or make.name
    charge.CURVES = tuple(curve for curve in known if curve.name not in SAME.get(own, (own,)))
    try:
        yield
    finally:
        charge.CURVES = known


def both(one: Made, history: PackHistory | None = None) -> Iterator[tuple[str, Said]]:
    """Yield what the analyser says of a ride with its cells' own curve, and without: ``OTHER``."""
    yield "", judge(one, history)
    with unknown(one):
        yield OTHER, judge(one, history)


def both_tables(
    what: str, parts: tuple[str, str, str, str], found: Mapping[str, Sequence[Case]]
) -> list[tuple[str, str]]:
    """Return :func:`~trust.cells_bench.interval_tables` of both, from rows under ``what``, whether
    with the own curve, and the first and third of ``parts``: what each table is of."""
    made = []
    for whose in (what, what + OTHER):
        charge, errors, sizes, widths = (whose + part for part in parts)
        titles = (charge, errors, sizes, widths)
        made += interval_tables(titles, found[charge], found[sizes])
    return made
