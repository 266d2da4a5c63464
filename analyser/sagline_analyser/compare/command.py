"""The ``compare`` command: its arguments, its words, its JSON."""

import argparse
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any

from sagline_logger.format import CAUTION, UsageError, check_output, titled

from ..findings.basis import Basis, examine
from .cards import score_text
from .comparison import Comparison, RunGroup, compare
from .page import TITLE, write_comparison
from .plan import plan
from .predict import Prediction, parse_setting, predict
from .sides import no_side, split
from .verdict import measure_text, signed_text


def run(arguments: argparse.Namespace) -> int:
    """Compare the logs named in ``arguments`` and write the page, print words or JSON."""
    wanted = parse_setting(arguments.predict) if arguments.predict else None
    if arguments.plan is not None:
        return _plan(arguments)
    if not arguments.logs:
        raise UsageError("no log is named", where="compare", remedy="name two, or use --plan")
    if len(arguments.logs) == 1 and not arguments.marks and wanted is None:
        raise UsageError(
            "one log has no second side",
            where=str(arguments.logs[0]),
            remedy="give another, or --marks to split it, or --predict NAME=VALUE",
        )
    out = arguments.out
    if out is None and not arguments.json:
        out = arguments.logs[0].with_name(arguments.logs[0].stem + "-compare.html")
    if out is not None:
        check_output(out, titled(TITLE))
    examined = _open(arguments)
    rides = [(basis.ride, basis.board) for basis in examined]
    parts = split(rides, arguments.sides, arguments.by, arguments.marks)
    if wanted is None and not any(part.side == "B" for part in parts):
        raise no_side("B", rides, arguments.sides)
    if not arguments.matters > 0:
        raise UsageError(
            f"{arguments.matters:g} is no share that matters",
            where="--matters",
            remedy="a number of percent above 0",
        )
    found = compare(parts, arguments.judge, arguments.matters / 100)
    prediction = predict(found, *wanted) if wanted else None
    told = tuple(f"{one.ride.path}: {line}" for one in examined for line in one.notices())
    first = replace(found, doubts=(*told, *found.doubts))
    size = write_comparison(first, out, prediction) if out is not None else 0
    if arguments.json:
        document = as_document(found, prediction, examined)
        print(json.dumps(document, indent=1, allow_nan=False))
        return 0
    _print(found, prediction)
    print(f"\n{out} ({size / 1e6:.1f} MB): open it in a browser")
    return 0


def _open(arguments: argparse.Namespace) -> list[Basis]:
    """Return the examined rides; what is doubted of them is told first."""
    rides = []
    for log in arguments.logs:
        basis = examine(log, arguments.board)
        for line in basis.notices():
            print(f"{log}: {line}", file=sys.stderr if arguments.json else sys.stdout)
        rides.append(basis)
    return rides


def _plan(arguments: argparse.Namespace) -> int:
    rides = [(basis.ride, basis.board) for basis in _open(arguments)]
    ridden = compare(split(rides, "A" * len(rides))) if rides else None
    plans = [
        plan(arguments.plan, arguments.launches, electric, ridden) for electric in (True, False)
    ]
    if arguments.json:
        document = [{**asdict(one), "error": one.error} for one in plans]
        print(json.dumps(_finite(document), indent=1, allow_nan=False, ensure_ascii=False))
        return 0
    for one in plans:
        print(one.text)
    print(CAUTION)
    return 0


def as_document(
    found: Comparison, prediction: Prediction | None, examined: Sequence[Basis] = ()
) -> dict[str, Any]:
    """Return everything as plain JSON values; what is infinite or unknown is null.

    ``examined`` are the rides as examined: what is doubted of their sensors and board files.
    """
    groups: dict[str, dict[str, Any] | None] = {}
    for name, group in (("launches", found.launches), ("pulls", found.pulls)):
        groups[name] = None if group is None else _group_document(group)
    document = {
        "mismatches": [
            {"log": one.ride.path, "text": text} for one in examined for text in one.mismatches
        ],
        "sensors": [
            {"log": one.ride.path, **asdict(doubt)} for one in examined for doubt in one.sensors
        ],
        "order": found.order,
        "parts": [
            {"side": p.side, "log": p.ride.path, "stretch": p.name, "start": p.start, "end": p.end}
            for p in found.parts
        ],
        "settings_changed": [asdict(change) for change in found.changes],
        "verdict": asdict(found.verdict) if found.verdict else None,
        **groups,
        "prediction": asdict(prediction) if prediction else None,
        "settings_in_force": [asdict(one) for one in found.settings],
        "doubts": found.doubts,
        "notes": found.notes,
        "caution": found.caution,
    }
    plain = _finite(document)
    assert isinstance(plain, dict)
    return plain


def _group_document(group: RunGroup) -> dict[str, Any]:
    return {
        "goal": asdict(group.goal),
        "measures": [{**asdict(row), "clear": row.clear} for row in group.rows],
        "limited_by": [asdict(cause) for cause in group.causes],
        "conditions": [asdict(one) for one in group.confounders],
        "runs": [
            {"side": r.side, "part": r.part, "start": r.start, "clock_starts": r.zero, "end": r.end}
            for r in group.runs
        ],
    }


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(one) for key, one in value.items()}
    return [_finite(one) for one in value] if isinstance(value, list | tuple) else value


def _print(found: Comparison, prediction: Prediction | None) -> None:
    for change in found.changes:
        print(f"Changed: {change.name}, A {change.a}, B {change.b}")
    for doubt in found.doubts:
        print(f"doubt: {doubt}")
    if found.verdict:
        print(found.verdict.text)
        for line in found.verdict.advice:
            print(f"  {line}")
    for group in (found.launches, found.pulls):
        if group is not None and found.verdict:
            print(
                f"\n{group.goal.kind.capitalize()}: {len(group.side('A'))} on A, "
                f"{len(group.side('B'))} on B"
            )
            _print_rows(group)
    if prediction:
        print(f"\nPredicted from A for {prediction.name} = {prediction.value:g}")
        for one in prediction.figures:
            unit = one.measure.unit
            interval = f"{measure_text(one.low, unit)} to {measure_text(one.high, unit)}"
            score = ""
            if one.measured is not None:
                inside = "inside" if one.inside else "outside"
                score = f"; B {measure_text(one.measured, unit)}, {inside}"
            print(f"  {one.measure.label:24} {measure_text(one.value, unit)} ({interval}){score}")
        print(f"  {score_text(prediction)}")
        for note in prediction.notes:
            print(f"  note: {note}")
    for note in found.notes:
        print(f"note: {note}")
    print(f"\n{found.caution}")


def _print_rows(group: RunGroup) -> None:
    for row in group.rows:
        unit, by = row.measure.unit, row.difference
        assert by is not None and row.mean_b is not None
        print(
            f"  {row.measure.label:24} A {measure_text(row.mean_a, unit)}, "
            f"B {measure_text(row.mean_b, unit)}, difference {signed_text(by.value, unit)} "
            f"({signed_text(by.low, unit)} to {signed_text(by.high, unit)})"
            f"{', clear' if row.clear else ''}"
        )
    for one in group.confounders:
        if one.real and abs(one.effect) >= 0.002:
            label = one.label[0].lower() + one.label[1:]
            made = f"could make {one.effect:+.1%} of the time".replace("-", "−")
            print(f"  not alike: {label} {made}{f' ({one.taken_out})' if one.taken_out else ''}")
