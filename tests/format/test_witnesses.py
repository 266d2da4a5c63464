"""Logs written before a change read as they did (protocol_docs/frame_format.md §7).

One thing differs on purpose: when they were written, the line on which the loader lays a stretch of
less than a minute went through a BOARD that stood alone in front.  That was wrong, by up to 300 ppm
of their 0.6 s in those made with one such BOARD, and is mended (``_steady`` in
``load/clocks.py``).  The format does not prescribe the line (frame_format.md §6.3).
"""

import base64
import json
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from sagline_analyser.load import clocks
from sagline_analyser.load.ride import Ride
from support.witnesses import WITNESSES, read, tables

_PATHS = sorted(WITNESSES.glob("*.json"))
_EXACT = {"all_kinds", "irregular_stream", "link_down", "simulated_1", "simulated_2", "simulated_3"}
"""Those that the mend does not move."""
_MENDED = 177
"""µs by which it moves the times of the others, at most."""
_WITNESSES = pytest.mark.parametrize("path", _PATHS, ids=lambda path: path.stem)


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


def _both(path) -> tuple[Ride, dict[str, Any]]:
    witness = json.loads(path.read_text(encoding="utf-8"))
    return read(base64.b64decode(witness["log"])), witness["tables"]


def test_there_are_more_than_ten():
    assert len(_PATHS) > 10


@_WITNESSES
def test_a_log_of_version_1_0_reads_as_before(path):
    """Every value, count, gap, text and wall clock; and times within the error stated with them."""
    ride, was = _both(path)
    times, rest = _apart(tables(ride))
    were, before = _apart(was)
    assert rest == before
    most = 0 if path.stem in _EXACT else _MENDED
    assert times == pytest.approx(were, rel=0, abs=most)
    assert ride.quality.clock_error is not None
    assert most == 0 or most < ride.quality.clock_error * 1e6


@_WITNESSES
def test_the_mended_line_is_all_that_moves_times(path, monkeypatch):
    """With the line as it was, through every timed record, each log reads to the µs as it did."""
    monkeypatch.setattr(clocks, "_steady", lambda stream, sent: np.arange(stream.size))
    ride, was = _both(path)
    assert tables(ride) == was


def test_the_mended_line_is_the_right_one():
    """The witnesses' boards take a sample each 10 ms by the host's own clock."""
    path = next(path for path in _PATHS if path.stem == "one_boot")
    ride, was = _both(path)
    times = tables(ride)["streams"]["fast"]["time"]
    steps = {later - one for one, later in pairwise(times)}
    assert steps == {10_000}
    old = was["streams"]["fast"]["time"]
    assert old[-1] - old[0] == pytest.approx(times[-1] - times[0], rel=310e-6)
    assert old[-1] - old[0] != times[-1] - times[0]
