"""Times of several jobs that are fair to all of them."""

import time
from collections.abc import Callable


def best_of(rounds: int, *jobs: Callable[[], object]) -> list[float]:
    """Return the s of the fastest of some rounds of each job.

    They take turns, so that whatever else slows the machine for a while slows all of them.
    """
    return best_of_both(rounds, *jobs)[0]


def best_of_both(rounds: int, *jobs: Callable[[], object]) -> tuple[list[float], list[float]]:
    """Return what :func:`best_of` does, and the s of this process's processor time likewise, which
    a machine that does something else meanwhile does not draw out."""
    times: list[list[tuple[float, float]]] = [[] for _ in jobs]
    for _ in range(rounds):
        for job, own in zip(jobs, times, strict=True):
            start = time.perf_counter(), time.process_time()
            job()
            own.append((time.perf_counter() - start[0], time.process_time() - start[1]))
    walls, busy = ([min(one[way] for one in own) for own in times] for way in (0, 1))
    return walls, busy
