"""Logs written before a change read as they did (protocol_docs/frame_format.md §7)."""

import base64
import json
from typing import Any

import pytest

from support.witnesses import WITNESSES, read, tables

_PATHS = sorted(WITNESSES.glob("*.json"))
_EXACT = {"all_kinds", "irregular_stream", "link_down", "simulated_1", "simulated_2", "simulated_3"}
_MENDED = 177
"""µs by which the times of the others differ, at most.  When they were written, the line of the
two clocks of a stretch of less than a minute went through a BOARD that stood alone in front: in
these, made with one such BOARD, it was bent by up to 300 ppm of their 0.6 s, which was wrong.  The
format does not prescribe the line (frame_format.md §6.3); all else must be as it was."""


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
    assert times == pytest.approx(were, rel=0, abs=0 if path.stem in _EXACT else _MENDED)
