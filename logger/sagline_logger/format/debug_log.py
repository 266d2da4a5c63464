"""A debug log, for faults that happen where nobody looks; silent unless it is asked for.

``SAGLINE_DEBUG=1`` in the environment writes it to standard error, any other value names a file
that grows by it.  Behind it stands the logger ``sagline`` of the standard library, so that a
program that uses these packages can direct it as its own; ``logging`` is not loaded for it.
"""

import os
import sys
import time
from functools import cache

from .errors import printable

VARIABLE = "SAGLINE_DEBUG"
"""Environment variable: ``1`` for standard error, else the name of a file."""


def debug(text: str, *values: object, problem: BaseException | None = None) -> None:
    """Write one line, with ``values`` in the places of the ``%s`` of ``text``, and the traceback of
    ``problem``.  Costs next to nothing where nobody listens.
    """
    asked = os.environ.get(VARIABLE)
    if not asked and "logging" not in sys.modules:
        return
    import logging

    logger = logging.getLogger("sagline")
    if asked:
        _listen(asked)
    if logger.isEnabledFor(logging.DEBUG):
        if problem is not None:
            problem.__suppress_context__ = False  # here what was behind it is just what is wanted
        safe = (printable(str(value)) for value in values)  # names from boards and files
        logger.debug(text, *safe, exc_info=problem)


@cache
def _listen(asked: str) -> None:
    """Add what writes the lines, once; a file that cannot be opened is told and goes without."""
    import logging

    handler: logging.Handler = logging.StreamHandler()
    if asked != "1":
        try:
            handler = logging.FileHandler(asked, encoding="utf-8", errors="backslashreplace")
        except OSError as problem:
            print(f"{VARIABLE}: {asked}: {problem.strerror}", file=sys.stderr)
    form = logging.Formatter("%(asctime)s.%(msecs)03d %(threadName)s  %(message)s", "%FT%TZ")
    form.converter = time.gmtime
    handler.setFormatter(form)
    logger = logging.getLogger("sagline")
    logger.addHandler(handler)
    logger.setLevel(logging.DEBUG)
