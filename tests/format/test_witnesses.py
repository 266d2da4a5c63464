"""Logs written before a change read as they did (protocol_docs/frame_format.md §7)."""

import base64
import json
from typing import Any

import pytest

from support.witnesses import WITNESSES, read, tables

_PATHS = sorted(WITNESSES.glob("*.json"))
_FIT = 500
"""µs by which a time may differ: the line between two clocks is an estimate, which may get better.
Since they were written, a BOARD alone in front no longer bends it (by 177 µs here)."""


def _apart(was: dict[str, Any]) -> tuple[list[float], dict[str, Any]]:
    """Return the times in some tables, and the tables without them."""
    times: list[float] = [was["duration"]]
    rest = {**was, "duration": None, "streams": {}}
    for name, stream in was["streams"].items():
        times += stream["time"]
        rest["streams"][name] = {**stream, "time": len(stream["time"])}
    for kind in ("events", "marks"):
        times += [row[0] for row in was[kind]]
        rest[kind] = [row[1:] for row in was[kind]]
    times += [time for row in was["segments"] for time in row[1:]]
    rest["segments"] = [row[0] for row in was["segments"]]
    return times, rest


def test_there_are_more_than_ten():
    assert len(_PATHS) > 10


@pytest.mark.parametrize("path", _PATHS, ids=lambda path: path.stem)
def test_a_log_of_version_1_0_reads_as_before(path):
    witness = json.loads(path.read_text(encoding="utf-8"))
    times, rest = _apart(tables(read(base64.b64decode(witness["log"]))))
    were, before = _apart(witness["tables"])
    assert rest == before
    assert times == pytest.approx(were, rel=0, abs=_FIT)
