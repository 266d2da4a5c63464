"""What several processes of one test run need alike is made by the first that needs it.

The fixtures of a session are made in every worker that runs a file of their room, and a simulated
ride takes seconds.  What :func:`kept` returns is each caller's own: no test sees what another one
did to it.
"""

import fcntl
import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")

PLACE = "SAGLINE_TESTS_KEPT"
"""Environment variable: the run's own directory, which ``tests/conftest.py`` makes and removes."""


def kept(name: str, make: Callable[[], T]) -> T:
    """Return what ``make`` returns, made once a run under ``name``.

    Args:
        name: a file's name that tells all that the result depends on.
        make: takes no arguments, and its result can be pickled.

    Returns:
        a copy of it, fresh at every call; outside a test run ``make`` is simply called.
    """
    place = os.environ.get(PLACE)
    if place is None:
        return make()
    path = Path(place) / name
    with path.with_name(f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # ends with the file, also where its process is killed
        if not path.exists():
            part = path.with_name(f"{name}.part")
            part.write_bytes(pickle.dumps(make()))
            part.rename(path)
    found: T = pickle.loads(path.read_bytes())
    return found
