"""Packs that their riders said set out just charged, of makes among the curves and of others."""

import random
from collections.abc import Iterator
from dataclasses import replace

from sagline_analyser.findings.readings.said_full import SETTING
from trust import cells_bench
from trust.cells_bench import Rows, shares, voltages
from trust.cells_left_out import both, both_tables
from trust.cells_rides import Made

CHARGED = (0.975, 1.0)
"""States of charge, all as likely, that chargers leave packs at which their riders call full: some
stop a little early, some packs stand a while (common practice, no source)."""

CALLED = "Packs that were said to start full"
PARTS = (
    ": states of charge",
    ": states of charge, size of the error",
    ": ranges",
    ": at how many times its width an interval would hold so many",
)


def rows(cases: int, seed: int) -> Rows:
    """Return the rows of ``cases`` rides of each family from ``seed`` on, by table."""
    found: Rows = {}
    for one in called(cases, seed):
        for curve, said in both(one):
            told = [*voltages(one, said), *shares(one, said)]
            for part, what in ((PARTS[0], "charge"), (PARTS[2], "range")):
                own = found.setdefault(CALLED + curve + part, [])
                own += [case for case in told if what in case.what]
    return found


def tables_of(found: Rows) -> list[tuple[str, str]]:
    """Return the tables of :func:`rows`."""
    return both_tables(CALLED, PARTS, found)


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the tables of ``cases`` rides of each family from ``seed`` on."""
    return tables_of(rows(cases, seed))


def called(cases: int, seed: int) -> Iterator[Made]:
    """Yield ``cases`` rides of each family whose packs set out :data:`CHARGED` and were called
    full."""
    for one in cells_bench.rides(cases, seed, _charged):
        settings = {**one.ride.settings, SETTING: "full"}
        yield replace(one, ride=replace(one.ride, settings=settings))


def _charged(chance: random.Random) -> float:
    return chance.uniform(*CHARGED)
