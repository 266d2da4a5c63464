"""The pre-ride check on what a running capture hears."""

import shutil
from pathlib import Path
from typing import Any

from ..capture.source import Source
from ..format import CAUTION, BoardFile
from ..preride.checks import Storage, check, counts
from ..preride.command import INSPECTION
from ..preride.listening import listen

_HOURS = 2.0


def checked(
    source: Source, seconds: float, board: BoardFile | None, directory: Path
) -> dict[str, Any]:
    """Listen for ``seconds`` and return the results as plain values.

    Raises:
        SaglineError: nothing can be heard.
    """
    hearing = listen(source, seconds)
    storage = Storage(shutil.disk_usage(directory).free, 3600 * _HOURS)
    results = check(hearing, board, storage)
    return {
        "seconds": hearing.seconds,
        "counts": dict(counts(results)),
        "results": [
            {
                "name": result.name,
                "verdict": result.verdict,
                "numbers": result.numbers,
                "remedy": result.remedy,
            }
            for result in results
        ],
        "caution": f"{INSPECTION} {CAUTION}",
    }
