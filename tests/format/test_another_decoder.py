"""A third decoder, in JavaScript, written by another hand from frame_format.md alone, agrees.

Logs that stand in no vector: ``tests/load/test_truth.py`` holds it against generated ones.
"""

import json
import math

import numpy as np
import pytest

from sagline_analyser import load_ride
from sagline_logger.format import FrameError, encode_frame
from support.another_decoder import columns, read
from support.protocol_files import VECTORS, described_bodies
from support.witnesses import simulated

CASES = json.loads((VECTORS / "segments.json").read_text(encoding="utf-8"))
SAME_TIME = 2_000
"""µs; as in the vectors."""


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_the_segment_vectors(case):
    found = read(bytes.fromhex(case["log"]))
    assert found["counts"] == case["counts"]
    assert found["nothing lost"] == case["nothing lost"]
    assert [{k: s[k] for k in ("capture", "boot")} for s in found["segments"]] == case["segments"]
    values, times = columns(found, "fast", "n")
    assert values == case["values"]
    for time, right in zip(times, case["times"], strict=True):
        assert abs(time - right) < SAME_TIME


@pytest.mark.parametrize("name", ["refused_bodies", "refused_descriptions"])
def test_what_is_refused_is_one_damaged_place(name):
    for case in json.loads((VECTORS / f"{name}.json").read_text(encoding="utf-8")):
        bodies = [bytes.fromhex(case["body"])] if "body" in case else described_bodies(case)
        log = b""
        for body in bodies:
            try:
                log += encode_frame(body)
            except FrameError:  # it fits no frame
                continue
        found = read(log)["counts"]
        bad = 2 if case.get("rule") == 1 else 0 if case.get("rule") == 10 else 1
        assert found["damaged places"] == bad, case["name"]


def test_odd_but_legal_frames_are_sound():
    for name in ("records", "tolerated"):
        for case in json.loads((VECTORS / f"{name}.json").read_text(encoding="utf-8")):
            found = read(bytes.fromhex(case["frame"]))
            if "refused" not in found:  # a LOG of another version
                assert found["counts"]["damaged places"] == 0, case["name"]


@pytest.mark.parametrize("seed", [11, 12])
def test_what_a_drawn_board_sends_reads_as_in_the_loader(seed, tmp_path):
    """Every value of every channel to the bit, every time to what the clock's fit may move it."""
    path = tmp_path / "log.sagline"
    path.write_bytes(simulated(seed, 20.0))
    found, ride = read(path.read_bytes()), load_ride(path)
    assert found["nothing lost"] is True
    rows = 0
    for name, stream in ride.streams.items():
        for key, ours in stream.values.items():
            values, times = columns(found, name, key)
            theirs = [math.nan if value is None else value for value in values]
            np.testing.assert_array_equal(ours, np.array(theirs))
        rows += len(times)
        assert np.abs(np.array(times) / 1e6 - stream.time).max() < 0.01
    assert rows == found["counts"]["received"] > 400
