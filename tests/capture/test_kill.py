"""``kill -9`` at random moments (a thousand of them: ``tests/soak/kill.py``)."""

import random
from pathlib import Path

import pytest

from support.kills import kill_once


@pytest.mark.parametrize("seed", range(15))
def test_a_kill_leaves_a_log_that_reads(tmp_path: Path, seed: int) -> None:
    # How old the newest lost frame may be is timed in the soak script, not here.
    kill_once(tmp_path, random.Random(seed))
