"""Generated logs whose truth the generator keeps: nothing lost without a count, nothing invented,
nothing at a wrong time, "Nothing lost" only where that is so; by every reader alike.

``SAGLINE_EXAMPLES=10000 python -m pytest tests/load/test_truth.py`` tries more of them.
"""

import os
from pathlib import Path

from hypothesis import HealthCheck, given, settings

from sagline_analyser import load_ride
from support.another_decoder import columns, read
from support.generated_logs import NAMES, Truth, logs
from support.independent import account
from support.reader_counts import listener_counts, loader_counts, verify_counts

SAME_TIME = 2_000
"""µs; the generator's clocks run alike, so this is rounding and the fit."""


def close(found: list[float], right: list[float], late: int) -> bool:
    return len(found) == len(right) and all(
        abs(one - other) < SAME_TIME + late for one, other in zip(found, right, strict=True)
    )


@settings(
    max_examples=int(os.environ.get("SAGLINE_EXAMPLES", "150")),
    deadline=None,
    suppress_health_check=list(HealthCheck),
)
@given(truth=logs())
def test_every_reader_tells_the_truth(tmp_path: Path, truth: Truth) -> None:
    path = tmp_path / "log.sagline"
    path.write_bytes(truth.log)
    hold_the_loader(path, truth)
    hold_verify_and_both_decoders_from_the_text(truth)
    hold_what_record_counts_with(truth)


def hold_the_loader(path: Path, truth: Truth) -> None:
    ride = load_ride(path)
    for name in NAMES:
        stream = ride.streams.get(name)
        values = [] if stream is None else stream.values["n"].tolist()
        assert values == truth.values.get(name, [])
        if stream is not None:
            assert close((stream.time * 1e6).tolist(), truth.times.get(name, []), truth.late)
            assert (stream.time[1:] >= stream.time[:-1]).all()
    told = loader_counts(ride)
    assert told == {key: truth.counts[key] for key in told}
    assert [segment.boot for segment in ride.segments] == [boot for _, boot in truth.segments]


def hold_verify_and_both_decoders_from_the_text(truth: Truth) -> None:
    log = bytes(truth.log)
    found, counts = verify_counts(log)
    assert counts == truth.counts | {"missing bytes": found.missing_bytes}
    assert found.missing_bytes <= truth.gone
    assert [(boot.capture, boot.boot) for boot in found.boots] == truth.segments
    # Less than a frame cut out of a file before anything was heard: that nobody can see.
    assert found.whole or not truth.whole
    if found.whole:
        assert (truth.counts["lost"], truth.counts["unheard"], truth.dropped) == (0, 0, False)
        assert truth.gone < 200

    python, other = account(log), read(log)
    for decoder in (python, other):
        assert decoder["counts"] == counts
        assert decoder["nothing lost"] == found.whole
        assert [(s["capture"], s["boot"]) for s in decoder["segments"]] == truth.segments
    for name in NAMES:
        values, times = columns(other, name, "n")
        assert values == truth.values.get(name, [])
        assert close(times, truth.times.get(name, []), truth.late)


def hold_what_record_counts_with(truth: Truth) -> None:
    segments, told, _ = listener_counts(bytes(truth.log))
    assert segments == len(truth.segments)
    assert told == {key: truth.counts[key] for key in told}
