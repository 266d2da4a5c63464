"""The small logs of ``protocol_docs/vectors/segments.json``: every reader counts what stands there.

The figures are made by hand (``tests/support/segment_vectors.py``), not by a reader.
"""

import json
from pathlib import Path
from typing import Any

import pytest

from sagline_analyser import load_ride
from support.independent import account
from support.protocol_files import VECTORS
from support.reader_counts import listener_counts, loader_counts, verify_counts

CASES = json.loads((VECTORS / "segments.json").read_text(encoding="utf-8"))
SAME_TIME = 2_000
"""µs; the clocks of the cases run alike, so this is rounding and the fit."""


def _only(case: dict[str, Any], told: dict[str, int]) -> dict[str, int]:
    return {key: case["counts"][key] for key in told}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_the_loader(case: dict[str, Any], tmp_path: Path) -> None:
    path = tmp_path / "log.sagline"
    path.write_bytes(bytes.fromhex(case["log"]))
    ride = load_ride(path)
    stream = ride.streams["fast"]
    told = loader_counts(ride)
    assert told == _only(case, told)
    assert [segment.boot for segment in ride.segments] == [s["boot"] for s in case["segments"]]
    assert stream.values["n"].tolist() == case["values"]
    for ours, right in zip(stream.time.tolist(), case["times"], strict=True):
        assert abs(ours * 1e6 - right) < SAME_TIME


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_verify(case: dict[str, Any]) -> None:
    log = bytes.fromhex(case["log"])
    found, told = verify_counts(log)
    assert told == case["counts"]
    assert [(boot.capture, boot.boot) for boot in found.boots] == [
        (s["capture"], s["boot"]) for s in case["segments"]
    ]
    assert found.whole == case["nothing lost"]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_what_record_counts_with(case: dict[str, Any]) -> None:
    segments, told, latest = listener_counts(bytes.fromhex(case["log"]))
    if latest:  # what the live view shows; a log may end on samples that nothing describes
        assert latest["n"] == case["values"][-1]
    else:
        assert case["counts"]["undescribed"]
    if case["name"] == "a log of another major version in the middle":
        segments -= 1  # a link has no LOG: what follows it is of this version to the listener
    assert segments == len(case["segments"])
    assert told == _only(case, told)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_the_second_decoder(case: dict[str, Any]) -> None:
    told = account(bytes.fromhex(case["log"]))
    assert told["counts"] == case["counts"]
    assert told["segments"] == case["segments"]
    assert told["values"] == case["values"]
    assert told["nothing lost"] == case["nothing lost"]
