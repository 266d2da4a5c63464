"""Cells and packs with three earlier rides of the pack: four times the work of a case without."""

import contextlib
import random
from collections.abc import Sequence

from sagline_analyser.findings.belief.history import PackHistory, RideRests
from sagline_analyser.findings.belief.rest_points import rest_points
from sagline_analyser.findings.readings.packs import pack_spans
from trust.cells_bench import Rows, case_of, rides, shares, voltages
from trust.cells_left_out import both, both_tables
from trust.cells_read import Told
from trust.cells_rides import CannotSolve, Made, make_ride_of
from trust.table import Case, interval_table

EARLIER = "Cells, with three earlier rides of the pack"
RESTS = f"{EARLIER}: rests kept"
PARTS = (
    ": states of charge and rests",
    ": states of charge, size of the error",
    ": resistances, capacities and ranges",
    ": at how many times its width an interval would hold so many",
)


def rows(cases: int, seed: int) -> Rows:
    """Return the rows of ``cases`` rides of each family, each judged with three earlier ones."""
    found: Rows = {RESTS: []}
    for one in rides(cases, seed):
        before = earlier(one)
        history = history_of(before)
        found[RESTS] += [case for ride in before for case in remembered_rests(ride)]
        for curve, said in both(one, history):
            found.setdefault(EARLIER + curve + PARTS[0], []).extend(voltages(one, said))
            found.setdefault(EARLIER + curve + PARTS[2], []).extend(shares(one, said))
    return found


def tables_of(found: Rows) -> list[tuple[str, str]]:
    """Return the tables of :func:`rows`."""
    rests = (RESTS, interval_table(found[RESTS], False))
    return [rests, *both_tables(EARLIER, PARTS, found)]


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the tables of ``cases`` rides of each family, each judged with three earlier ones."""
    return tables_of(rows(cases, seed))


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
        found.append(case_of(one, f"{what} rest", 1000 * truth, told, 1000, "mV"))
    if len(found) == 2:
        point = points[-1]
        told = Told(
            point.charge, point.charge - point.charge_error, point.charge + point.charge_error
        )
        drawn = (cell.start - cell.end) * cell.capacity
        found.append(case_of(one, "charge between them", drawn, told, 1, "Ah"))
    return found
