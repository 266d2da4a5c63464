"""The ``sagline-analyser`` program: reports, figures and exports from a log."""

import os
import sys
from collections.abc import Sequence
from importlib.util import find_spec

from sagline_logger import __version__
from sagline_logger.format import SaglineError
from sagline_logger.format.program import Program

COMMANDS = {
    "plot": (".commands.plot", "write an interactive report as one HTML file"),
    "summary": (".commands.summary", "print the ride's figures and the limits crossed"),
    "export": (".commands.export", "write the samples as tables, one file a stream"),
    "import": (".columns_in.command", "turn a column file (CSV) into a log"),
    "rides": (".rides.command", "list the captures below a directory, or draw their trends"),
    "compare": (".compare.arguments", "compare two settings by their launches"),
    "share": (".share.command", "write one small page about a fault that gives nothing away"),
    "archive": (".commands.archive", "make a compressed copy and check it"),
}
"""Command name to (module with ``add_arguments`` and ``run``, one line of help)."""


def get_ready() -> None:
    """Check that what the analyser stands on is there, and set the process up for large columns.

    Raises:
        SaglineError: it is not; says how to install it.
    """
    # numpy reads this once, as it starts.  Our matrices are so narrow that a second thread of its
    # linear algebra only waits, and waits busily: the fits took several times the processor time.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    lacking = [name for name in ("numpy", "pandas", "plotly") if find_spec(name) is None]
    if lacking:
        raise SaglineError(
            f"the analyser needs {', '.join(lacking)}",
            remedy='install it with: pip install "sagline[analyser]"',
        )
    from .own_process import keep_little

    keep_little()


PROGRAM = Program(
    name="sagline-analyser",
    package=__package__ or "sagline_analyser",
    description="Turn a capture into a report, figures or tables.",
    version=__version__,
    commands=COMMANDS,
    ready=get_ready,
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return the exit status."""
    return PROGRAM.main(argv)


if __name__ == "__main__":
    sys.exit(main())
