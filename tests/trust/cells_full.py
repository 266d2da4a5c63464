"""Packs that their riders said set out just charged, of makes among the curves and of others."""

import contextlib
import random
from collections.abc import Iterator
from dataclasses import replace

from sagline_analyser.findings.readings.said_full import SETTING
from trust import cells_bench
from trust.cells_bench import Rows, interval_tables, judge, shares, voltages
from trust.cells_left_out import unknown
from trust.cells_rides import Made

CHARGED = (0.975, 1.0)
"""States of charge, all as likely, that chargers leave packs at which their riders call full: some
stop a little early, some packs stand a while (common practice, no source)."""

CALLED = "Packs that were said to start full"
CHARGE = ": states of charge"
ERRORS = ": states of charge, size of the error"
SIZES = ": ranges"
WIDTHS = ": at how many times its width an interval would hold so many"
LEFT_OUT = f"{CALLED}, of a make that is not among the curves"


def rows(cases: int, seed: int) -> Rows:
    """Return the rows of ``cases`` rides of each family from ``seed`` on, by table."""
    found: Rows = {}
    for one in called(cases, seed):
        for whose, curves in ((LEFT_OUT, unknown(one)), (CALLED, contextlib.nullcontext())):
            with curves:
                said = judge(one)
            told = voltages(one, said)
            found.setdefault(whose + CHARGE, []).extend(c for c in told if "charge" in c.what)
            told = shares(one, said)
            found.setdefault(whose + SIZES, []).extend(c for c in told if "range" in c.what)
    return found


def tables_of(found: Rows) -> list[tuple[str, str]]:
    """Return the tables of :func:`rows`."""
    made = []
    for whose in (LEFT_OUT, CALLED):
        titles = (whose + CHARGE, whose + ERRORS, whose + SIZES, whose + WIDTHS)
        made += interval_tables(titles, found[whose + CHARGE], found[whose + SIZES])
    return made


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
