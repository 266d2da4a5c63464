"""What the trust bench measures, and its table: how often a stated interval holds the truth.

A bench module makes rides whose truth is known from models that share no equation with the
analyser, lets the analyser judge the rides, and hands over one :class:`Case` for every interval
that was stated, or one :class:`Event` for every yes-or-no claim.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Case:
    """One stated figure and its truth, in the same unit.

    ``what`` names the figure (a row of the table), ``family`` the makers of its truth.  ``told``
    is None where the analyser declined, NaN where only the ends of an interval were told; else
    ``low`` to ``high`` is its stated interval.
    ``unsafe`` says which way an error is the dangerous one: told above the truth ("above", as a
    range) or below it ("below"); empty where neither is.
    """

    what: str
    family: str
    seed: int
    truth: float
    told: float | None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    unsafe: str = ""
    note: str = ""

    @property
    def inside(self) -> bool:
        """Whether the interval holds the truth."""
        return (
            self.low is not None and self.high is not None and self.low <= self.truth <= self.high
        )


@dataclass(frozen=True)
class Event:
    """One yes-or-no claim: ``claimed`` by the analyser, ``true`` in the model."""

    what: str
    family: str
    seed: int
    true: bool
    claimed: bool
    note: str = ""


HEAD = "| figure | family | cases | told | inside | median error | worst error | unsafe > 10 % |"
RULE = "|---|---|---:|---:|---:|---:|---:|---:|"


def interval_table(cases: Iterable[Case], relative: bool = True) -> str:
    """Return a Markdown table, one row for each figure and family, in order of appearance.

    Errors are shares of the truth where ``relative``, else in the figure's unit.  "Unsafe > 10 %"
    is the share of told cases that miss the truth by more than a tenth the dangerous way.
    """
    groups: dict[tuple[str, str], list[Case]] = {}
    for case in cases:
        groups.setdefault((case.what, case.family), []).append(case)
    lines = [HEAD, RULE]
    lines += [_row(what, family, group, relative) for (what, family), group in groups.items()]
    return "\n".join(lines)


def _row(what: str, family: str, group: Sequence[Case], relative: bool) -> str:
    told = [(case, case.told) for case in group if case.told is not None]
    start = f"| {what} | {family} | {len(group)} | {len(told)} |"
    if not told:
        return f"{start} – | – | – | – |"
    truth = np.array([case.truth for case, _ in told])
    error = np.array([value for _, value in told]) - truth
    share = np.mean([case.inside for case, _ in told])
    size = error / np.abs(truth) if relative else error
    unit = "" if relative else f" {told[0][0].unit}"
    shown = (
        "–" if np.isnan(v) else f"{100 * v:+.1f} %" if relative else f"{v:+.3g}{unit}"
        for v in (float(np.median(size)), float(size[np.argmax(np.abs(size))]))
    )
    way = told[0][0].unsafe
    wrong = (error if way == "above" else -error) > 0.1 * np.abs(truth)
    unsafe = f"{100 * float(np.mean(wrong)):.1f} %" if way else "–"
    return f"{start} {100 * share:.1f} % | {' | '.join(shown)} | {unsafe} |"


def size_table(cases: Iterable[Case]) -> str:
    """Return a Markdown table of how large errors were, whichever way, in the figure's unit: the
    median of the told cases, and what nine in ten of them stayed within."""
    groups: dict[tuple[str, str], list[float]] = {}
    unit = ""
    for case in cases:
        if case.told is not None and not np.isnan(case.told):
            groups.setdefault((case.what, case.family), []).append(abs(case.told - case.truth))
            unit = case.unit
    lines = [
        "| figure | family | told | half within | nine in ten within |",
        "|---|---|---:|---:|---:|",
    ]
    for (what, family), sizes in groups.items():
        half, most = np.quantile(sizes, (0.5, 0.9))
        lines.append(
            f"| {what} | {family} | {len(sizes)} | {half:.2g} {unit} | {most:.2g} {unit} |"
        )
    return "\n".join(lines)


FEW = 40
"""Told cases from which a table says at what width an interval would hold so many of them."""


def width_table(cases: Iterable[Case]) -> str:
    """Return a Markdown table of how many times its stated width an interval would need, about its
    middle, to hold the truth in 85, 90 and 97 % of the told cases."""
    groups: dict[tuple[str, str], list[float]] = {}
    for case in cases:
        if case.low is not None and case.high is not None and case.high > case.low:
            away = abs(case.truth - (case.low + case.high) / 2) / ((case.high - case.low) / 2)
            groups.setdefault((case.what, case.family), []).append(away)
    lines = [
        "| figure | family | told | 85 % at | 90 % at | 97 % at |",
        "|---|---|---:|---:|---:|---:|",
    ]
    for (what, family), away in groups.items():
        if len(away) >= FEW:
            at = " | ".join(f"× {one:.2f}" for one in np.quantile(away, (0.85, 0.9, 0.97)))
            lines.append(f"| {what} | {family} | {len(away)} | {at} |")
    return "\n".join(lines)


def event_table(events: Iterable[Event]) -> str:
    """Return a Markdown table: how many true things were claimed, how many untrue ones."""
    groups: dict[tuple[str, str], list[Event]] = {}
    for event in events:
        groups.setdefault((event.what, event.family), []).append(event)
    lines = ["| claim | family | true, claimed | untrue, claimed |", "|---|---|---:|---:|"]
    for (what, family), group in groups.items():
        parts = []
        for true in (True, False):
            of = [event.claimed for event in group if event.true is true]
            parts.append(f"{sum(of)} of {len(of)}" if of else "–")
        lines.append(f"| {what} | {family} | {parts[0]} | {parts[1]} |")
    return "\n".join(lines)
