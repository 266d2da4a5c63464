"""``kill -9`` at random moments (a thousand of them: ``tests/soak/kill.py``)."""

import random
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from support.kills import kill_once


def test_fifteen_kills_leave_logs_that_read(tmp_path: Path) -> None:
    # How old the newest lost frame may be is timed in the soak script, not here.
    def kill(seed: int) -> None:
        (tmp_path / str(seed)).mkdir()
        kill_once(tmp_path / str(seed), random.Random(seed))

    with ThreadPoolExecutor(5) as pool:
        assert len(list(pool.map(kill, range(15)))) == 15  # raises what any of them raised
