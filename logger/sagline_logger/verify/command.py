"""``sagline-logger verify``: check a log and say what is in it and what is missing."""

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

from ..format import SaglineError
from ..format.counting import several, several_of
from ..format.errors import printable
from ..format.log_file import open_log, plain_size, read_shown
from .survey import Survey, survey

EXAMPLES = (
    "verify ride.sagline",
    "verify --strict rides/*.sagline",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    parser.add_argument("logs", type=Path, metavar="LOG", nargs="+", help="a .sagline file")
    parser.add_argument("--json", action="store_true", help="print one JSON object a log")
    parser.add_argument(
        "--strict", action="store_true", help="exit with 3 when anything is missing or damaged"
    )
    parser.epilog = (
        "Exit status: 0 every log could be read, whole or not; 1 one could not (no such file, "
        "empty, not a log); 3 with --strict, something is missing or damaged."
    )


def run(arguments: argparse.Namespace) -> int:
    """Print a report for each log; 0 whenever all could be read."""
    unread: SaglineError | None = None
    whole = True
    for number, path in enumerate(arguments.logs):
        try:
            with open_log(path) as file:
                entries = read_shown(file, f"checking {path.name}")
                found = survey(entries, plain_size(file))
        except SaglineError as problem:  # the others are checked all the same
            if unread is not None:
                print(f"sagline-logger: {unread}", file=sys.stderr)
            unread = problem
            continue
        whole = whole and found.whole
        if number and not arguments.json:
            print()
        print(json.dumps(as_json(found)) if arguments.json else as_text(found, path))
    if unread is not None:
        raise unread
    return 3 if arguments.strict and not whole else 0


def as_json(found: Survey) -> dict[str, Any]:
    """Return the report as plain data: seconds, bytes, counts and parts per million."""
    return {
        **asdict(found),
        "lost_samples": found.lost_samples,
        "repeated": found.repeated,
        "undescribed": found.undescribed,
        "misfits": found.misfits,
        "went_back": found.went_back,
        "described": found.described,
        "whole": found.whole,
    }


def as_text(found: Survey, path: Path) -> str:
    """Return the report for people."""
    lines = [
        f"{path}: {several(found.size, 'byte')}, {found.duration:.1f} s, "
        f"board {found.board or 'unknown'}, {found.source or 'source unknown'}",
        "frames: " + ", ".join(f"{count} {kind}" for kind, count in sorted(found.kinds.items())),
    ]
    for number, count in sorted(found.streams.items()):
        name = count.name or "not described"
        lines.append(
            f"stream {number} ({name}): {several(count.samples, 'sample')} in "
            f"{several(count.frames, 'frame')}, {count.lost} lost in {several(count.gaps, 'gap')}"
            + (f", {several(count.repeated, 'frame')} repeated" if count.repeated else "")
            + (
                f", {several(count.went_back, 'frame')} whose number went back"
                if count.went_back
                else ""
            )
            + (
                f", {several(count.misfits, 'sample')} of another form than described"
                if count.misfits
                else ""
            )
            + (
                f", {several(count.undescribed, 'sample')} never described"
                if count.undescribed
                else ""
            )
        )
    if found.events_repeated:
        lines.append(
            f"events: {several(found.events_repeated, 'record')} came more than once, counted once"
        )
    for n, boot in enumerate(found.boots, 1):
        fit = boot.clock
        lines.append(
            f"segment {n}: "
            + (f"capture {boot.capture + 1}, " if found.captures > 1 else "")
            + f"boot {boot.boot}{' again' if boot.same_number else ''}, "
            + f"{several(boot.frames, 'frame')}, "
            + (
                f"clock {fit.drift:+.0f} ppm against this host over {fit.span:.0f} s, "
                f"delivery within {fit.jitter * 1000:.0f} ms (95 %)"
                if fit
                else "too short to judge the clock"
            )
        )
    for start, end, evidence in found.link_gaps:
        until = f"to {end:.1f} s" if end is not None else "and not back"
        if end is not None and f"{end:.1f}" == f"{start:.1f}":
            until = f"for {max(1, round((end - start) * 1000))} ms"
        lines.append(f"link down from {start:.1f} s {until}: {evidence}")
    if found.foreign:
        reasons = ", ".join(f"{count} {reason}" for reason, count in sorted(found.foreign.items()))
        told = f"; {found.foreign_words}" if found.foreign_words else ""
        lines.append(f"foreign bytes, kept as they came: {reasons}{told}")
    if found.raw:
        line = f"made from {several(found.raw, 'byte')} of {found.raw_words}, which are kept"
        if found.unread:
            line += (
                f": {several_of(found.unread, found.raw_words)} could not be read "
                "by the map; with it mended: sagline-logger reread"
            )
        lines.append(line)
    for offset, problem in found.damage:
        lines.append(f"damage at byte {offset}: {problem}")
    if found.damaged > len(found.damage):
        lines.append(f"and {several(found.damaged - len(found.damage), 'more damaged place')}")
    if found.dropped_bytes:
        lines.append(
            f"the disk did not take {several(found.dropped_frames, 'frame')} "
            f"({several(found.dropped_bytes, 'byte')})"
        )
    if found.strange_version:
        lines.append(
            f"the board speaks format version {found.strange_version}, which this program cannot "
            "read; its frames are kept; install a later Sagline"
        )
    if not found.described and found.streams and found.refusal:
        lines.append(
            "what the board says of itself breaks the format's rules, so nothing tells what its "
            f"samples mean: {found.refusal}; mend the board's program, the samples are kept"
        )
    elif not found.described and found.streams:
        lines.append(
            "no stream is described in this log: its samples are kept, but have no names or units; "
            "record longer, until the board sends its description"
        )
    if found.same_number:
        lines.append(
            f"the board started {several(found.same_number, 'time')} without changing its boot "
            "number; what was lost at such a start cannot be told: count the number up at every "
            "start"
        )
    if found.captures > 1:
        lines.append(f"{found.captures} captures are joined in this file")
    if 0 < found.cut_captures < found.captures:
        lines.append(f"{found.cut_captures} of the captures were cut off: they have no END record")
    elif found.cut_captures:
        lines.append("the capture was cut off: there is no END record")
    else:
        lines.append("the capture ended on purpose" + (f": {found.ended}" if found.ended else ""))
    lines += [f"note: {one}" for one in found.nearly]
    lines.append(_verdict(found))
    return "\n".join(map(printable, lines))


def _verdict(found: Survey) -> str:
    if not found.understood and (found.foreign or not found.faults):
        if found.foreign:
            return (
                f"Nothing was understood: {several(sum(found.foreign.values()), 'byte')} came, "
                f"{found.foreign_words}."
            )
        return "Nothing was understood: the log holds no record of a board."
    if found.whole:
        return "Nothing lost up to where it was cut." if found.cut_captures else "Nothing lost."
    return "Not whole: " + ", ".join(found.faults) + "."
