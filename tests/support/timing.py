"""Times of several jobs that are fair to all of them."""

import time
from collections.abc import Callable


def best_of(rounds: int, *jobs: Callable[[], object]) -> list[float]:
    """Return the s of the fastest of some rounds of each job.

    They take turns, so that whatever else slows the machine for a while slows all of them.
    """
    times: list[list[float]] = [[] for _ in jobs]
    for _ in range(rounds):
        for job, own in zip(jobs, times, strict=True):
            start = time.perf_counter()
            job()
            own.append(time.perf_counter() - start)
    return list(map(min, times))
