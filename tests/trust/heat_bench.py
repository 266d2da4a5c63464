"""Trust bench of "how long until something is too hot": stated times against networks' own.

A sensor on the case, or of no stated place, has no time told; what is said of it has rows of its
own.  An interval row counts the times that both are finite; the told time is the headline's, which
19 in 20 such parts shall reach, so it is early by design and its median error with it.  A time of
less than 5 s is left out: there the sensor's own lateness is all there is.
"""

import math
from collections.abc import Iterable
from dataclasses import replace

from sagline_analyser.findings.heat.answer import HOTTEST
from trust.heat_cases import FRESH, KINDS, MOUNTED, HeatCase, Kind, heat_cases
from trust.table import Case, Event, event_table, interval_table

SHORTEST = 5.0

TIMES = "Heat: time to the limit"
LIKELY = "Heat: likely time to the limit, where one within the hour is told"
IF_INSIDE = "Heat: time to the limit, told on the condition that the sensor sits in the winding"
SETTLES = "Heat: how warm the part is after an hour from cold"
SHOWN = "Heat: what a sensor on the case will show"
CLAIMS = "Heat: claims"


Rows = dict[str, list[Case] | list[Event]]


def rows(cases: int, seed: int, kinds: Iterable[Kind] = (*KINDS, *FRESH, *MOUNTED)) -> Rows:
    """Return the rows of ``cases`` rides of each kind from ``seed`` on, by table."""
    every = [case for kind in kinds for case in heat_cases(kind, cases, seed)]
    return {
        TIMES: [one for case in every for one in interval_cases(case)],
        LIKELY: [one for case in every for one in likely_cases(case)],
        IF_INSIDE: [one for case in every for one in conditional_cases(case)],
        SETTLES: [one for case in every for one in settled_cases(case)],
        SHOWN: [one for case in every for one in on_case_cases(case)],
        CLAIMS: [one for case in every for one in below_events(case)],
    }


def tables_of(found: Rows) -> list[tuple[str, str]]:
    """Return the tables of :func:`rows`."""
    return [
        (
            name,
            event_table(some)
            if name == CLAIMS
            else interval_table(some, name not in (SETTLES, SHOWN)),
        )
        for name, some in found.items()
    ]


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the tables of ``cases`` rides of each kind from ``seed`` on."""
    return tables_of(rows(cases, seed))


def interval_cases(case: HeatCase) -> list[Case]:
    """Return the times from cold and from the end of the ride, where there is a true one."""
    return [replace(row, told=None) if case.found.reason else row for row in _times(case)]


def conditional_cases(case: HeatCase) -> list[Case]:
    """Return the times told in case the sensor sits in the winding, where it does."""
    return _times(case) if case.found.condition and case.inside else []


def _times(case: HeatCase) -> list[Case]:
    found = case.found
    rows = []
    for what, time, truth in (
        ("s to the limit, from cold", found.cold, case.cold),
        ("s to the limit, from the ride's end", found.now, case.now),
    ):
        if not SHORTEST <= truth < math.inf:
            continue
        row = Case(what, case.kind, case.seed, truth, None, unit="s", unsafe="above")
        if time is not None and not time.below:
            row = replace(row, told=time.seconds, low=time.low, high=time.high)
        rows.append(row)
    return rows


def likely_cases(case: HeatCase) -> list[Case]:
    """Return the likely times, where there is a true one and a finite one is told."""
    found = case.found
    rows = []
    for row, time in zip(
        interval_cases(case),
        [
            t
            for t, true in ((found.cold, case.cold), (found.now, case.now))
            if SHORTEST <= true < math.inf
        ],
        strict=True,
    ):
        if row.told is not None and time is not None and math.isfinite(time.likely):
            rows.append(replace(row, told=time.likely))
    return rows


def settled_cases(case: HeatCase) -> list[Case]:
    """Return how warm the part is said to be after the hour from cold; an end above
    :data:`HOTTEST` is told as "more than" that, and holds all that is."""
    end = case.found.settles
    if end is None or (case.found.reason and not (case.found.condition and case.inside)):
        return []
    low, high = min(end.low, HOTTEST), math.inf if end.high >= HOTTEST else end.high
    what = "°C after an hour from cold"
    return [Case(what, case.kind, case.seed, case.hottest, end.likely, low, high, "K")]


def on_case_cases(case: HeatCase) -> list[Case]:
    """Return what the sensor shows after the hour from cold."""
    found = case.found.on_case
    if found is None:
        return []
    end = found.case
    return [
        Case(
            "°C of the sensor after an hour",
            case.kind,
            case.seed,
            case.sensed,
            end.likely,
            end.low,
            end.high,
            "K",
        )
    ]


def below_events(case: HeatCase) -> list[Event]:
    """Return whether "below its limit within an hour" was said, whether anything was told, and
    by how much a winding is said to be hotter than its case."""
    found = case.found
    rows = []
    for what, time, truth in (("cold", found.cold, case.cold), ("the end", found.now, case.now)):
        said = time is not None and not found.reason and time.below
        rows.append(
            Event(f"below its limit, from {what}", case.kind, case.seed, math.isinf(truth), said)
        )
    rows.append(Event("anything told", case.kind, case.seed, True, not found.reason))
    if found.condition and not case.inside:
        assert found.now is not None
        sooner = case.now <= found.now.high
        what = "not in the winding: it is at its limit sooner than told for one that is"
        rows.append(Event(what, case.kind, case.seed, sooner, True))
    if found.on_case is not None:
        true = case.hottest - case.sensed >= found.on_case.hotter
        rows.append(
            Event("winding hotter than its sensor by at least …", case.kind, case.seed, true, True)
        )
    return rows
