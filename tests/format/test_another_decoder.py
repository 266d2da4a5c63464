"""A third decoder, in JavaScript, written by another hand from frame_format.md alone, agrees.

Logs that stand in no vector: ``tests/load/test_truth.py`` holds it against generated ones.
"""

import json

import pytest

from sagline_logger.format import FrameError, encode_frame
from support.another_decoder import columns, read
from support.protocol_files import VECTORS, described_bodies

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
