"""``sagline-analyser summary``: what the ride asks for in a few lines; all of it, or as JSON."""

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from sagline_logger.format import CAUTION

from .options import add_board, add_earlier, add_log, add_plan

if TYPE_CHECKING:
    from ..findings.limits.crossings import Crossing
    from ..findings.readings.summary import Summary
    from ..findings.telling.answer import Answer
    from ..load.ride import Ride

EXAMPLES = (
    "summary ride.sagline",
    "summary ride.sagline --full",
    "summary ride.sagline --board my_board.toml",
    "summary ride.sagline --json",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    add_log(parser)
    parser.add_argument(
        "--full", action="store_true", help="every figure, every answer and the limits crossed"
    )
    parser.add_argument("--json", action="store_true", help="as JSON, with every crossing")
    add_board(parser)
    add_plan(parser)
    add_earlier(parser)


def run(arguments: argparse.Namespace) -> int:
    """Print what the ride asks for, or all of it."""
    from ..findings.answers import answers
    from ..findings.basis import examine, figures
    from ..findings.limits.crossings import crossing_rows, find_crossings
    from ..rides.earlier import earlier_rides

    basis = examine(arguments.log, arguments.board)
    ride, limits = basis.ride, basis.limits
    summary = figures(basis)
    crossings = find_crossings(ride, limits)
    said = answers(
        basis,
        other_capacity=arguments.other_pack,
        plan=arguments.plan_km,
        history=earlier_rides(basis, arguments.log, arguments.earlier),
    )
    if arguments.json:
        import json
        from dataclasses import asdict

        document = {
            "mismatches": basis.mismatches,
            "sensors": [asdict(d) for d in basis.sensors],
            "board": ride.board_name,
            "log": ride.path,
            "started": ride.started_wall,
            **asdict(summary),
            "limits": len(limits),
            "crossings": list(crossing_rows(crossings)),
            "answers": [{**asdict(answer), "known": answer.known} for answer in said],
            "warnings": ride.warnings,
            "caution": CAUTION,
        }
        print(json.dumps(document, indent=1, allow_nan=False))
        return 0
    for line in basis.notices():
        print(line)
    if not arguments.full:
        _print_short(ride, summary, said, arguments)
        return 0
    _print_summary(ride, summary)
    _print_answers(said)
    if limits:
        _print_crossings(ride, crossings)
    return 0


def _print_short(
    ride: "Ride", summary: "Summary", said: "Sequence[Answer]", arguments: argparse.Namespace
) -> None:
    """Print one line an answer that asks for something, and one for all the others."""
    from ..findings.telling.answer import Urgency
    from ..page.cards import headline
    from ..page.units import duration_text, figure_text

    facts = [ride.board_name or "unnamed board", duration_text(ride.duration)]
    for key in ("distance", "energy_per_distance"):
        finding = next((f for f in summary if f.key == key and f.value is not None), None)
        if finding is not None:
            part = f" ({finding.note})" if finding.note else ""
            facts.append(figure_text(finding.value, finding.unit) + part)
    print(" · ".join(facts))
    for warning in ride.warnings:
        print(f"note: {warning}")
    for kind in (Urgency.ACT, Urgency.LOOK):
        for answer in said:
            if answer.urgency is kind:
                print(f"{kind:5} {headline(answer)}")
    asked = arguments.other_pack is not None or arguments.plan_km is not None
    for answer in said:
        if asked and answer.key == "pack_range":
            print(f"\n{answer.verdict}")
    quiet = [
        f"{count} {kind}"
        for kind in (Urgency.FINE, Urgency.UNKNOWN)
        if (count := sum(answer.urgency is kind for answer in said))
    ]
    print(f"{', '.join(quiet) + '; ' if quiet else ''}--full tells all, and why")
    print(f"\n{CAUTION}")


def _print_summary(ride: "Ride", summary: "Summary") -> None:
    from ..findings.telling.moment import moment_text
    from ..page.units import figure_text

    print(f"{ride.board_name or 'unnamed board'}: {ride.path}")
    for finding in summary:
        if finding.value is None:
            print(f"  {finding.label:24} —  ({finding.how})")
            continue
        at = f"  at {moment_text(finding.at)}" if finding.at is not None else ""
        note = f"  {finding.note}" if finding.note else ""
        print(f"  {finding.label:24} {figure_text(finding.value, finding.unit)}{at}{note}")
    for band in summary.bands:
        print(f"  {'  ' + band.label:24} {100 * band.share:.1f} % of the time in which it is known")
    for warning in ride.warnings:
        print(f"  note: {warning}")


def _print_answers(said: "Sequence[Answer]") -> None:
    for answer in said:
        print(f"\n{answer.question}\n  {answer.verdict}")
        for detail in answer.details:
            print(f"  - {detail}")


def _print_crossings(ride: "Ride", crossings: "Sequence[Crossing]") -> None:
    """Print one line a threshold: how often, how long, how far."""
    from ..findings.limits.crossings import RULES_TEXT
    from ..findings.telling.moment import moment_text
    from ..page.tables import by_threshold, group_words
    from ..page.units import figure_text

    print(f"\nLimits crossed: {len(crossings)}.  {RULES_TEXT}")
    for rows in by_threshold(crossings):
        worst = (max if rows[0].threshold.above else min)(rows, key=lambda c: c.span.peak)
        peak = figure_text(worst.span.peak, worst.threshold.limit.unit)
        what, threshold, often = group_words(ride, rows)
        print(f"  {what} {threshold}: {often}, worst {peak} at {moment_text(worst.span.peak_time)}")
    print(f"\n{CAUTION}")
