"""Every input that once broke a reader, or that the search found worth keeping, again."""

import signal
import tracemalloc
from pathlib import Path
from types import FrameType
from typing import NoReturn

import pytest

from fuzz.seeds import SEEDS
from fuzz.targets import TARGETS

CASES = Path(__file__).parent / "cases"
HANG = 60
"""s: far beyond what any case takes on the slowest machine; a hang fails instead of waiting."""
MEMORY = 64 << 20
"""Bytes beyond what stood before: sixteen times the widest block that a reader holds by design."""


def hung(number: int, frame: FrameType | None) -> NoReturn:
    raise TimeoutError(f"still running after {HANG} s")


@pytest.mark.parametrize("name", TARGETS)
def test_seeds_and_kept_cases_are_read_or_refused(name: str, tmp_path: Path) -> None:
    kept = {path.name: path.read_bytes() for path in sorted((CASES / name).glob("*"))}
    seeds = {f"seed {number}": data for number, data in enumerate(SEEDS[name]())}
    before = signal.signal(signal.SIGALRM, hung)
    tracemalloc.start()
    try:
        for case, data in {**seeds, **kept}.items():
            tracemalloc.reset_peak()
            held, _ = tracemalloc.get_traced_memory()
            signal.alarm(HANG)
            try:
                TARGETS[name](data, tmp_path)
            except Exception as problem:
                raise AssertionError(f"case {case}") from problem
            assert tracemalloc.get_traced_memory()[1] - held < MEMORY, case
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
        tracemalloc.stop()
