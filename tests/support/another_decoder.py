"""The decoder of ``tests/format/another/`` (JavaScript, from the specification alone), asked for
what it reads of a log."""

import json
import subprocess
from functools import cache
from pathlib import Path
from typing import Any

PROGRAM = Path(__file__).parents[1] / "format" / "another" / "reading.mjs"


@cache
def _running() -> subprocess.Popen[str]:
    """Start it once; it ends when its standard input does."""
    return subprocess.Popen(
        ["node", str(PROGRAM)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )


def read(log: bytes) -> dict[str, Any]:
    """Return counts, "nothing lost", and segments with their streams' values and times (µs)."""
    decoder = _running()
    assert decoder.stdin is not None and decoder.stdout is not None
    decoder.stdin.write(log.hex() + "\n")
    decoder.stdin.flush()
    found: dict[str, Any] = json.loads(decoder.stdout.readline())
    return found


def columns(found: dict[str, Any], name: str, key: str) -> tuple[list[Any], list[float]]:
    """Return one channel's values and its stream's times over all segments."""
    streams = [s["streams"][name] for s in found["segments"] if name in s["streams"]]
    streams = [stream for stream in streams if key in stream["channels"]]
    return (
        [value for stream in streams for value in stream["channels"][key]],
        [time for stream in streams for time in stream["times"]],
    )
