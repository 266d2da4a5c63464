"""Where the analyser's programs start: see :mod:`sagline_logger.start`."""

from sagline_logger.start import at_once

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Sequence


def main(argv: "Sequence[str] | None" = None) -> int:
    """Run ``sagline-analyser`` and return the exit status."""
    status = at_once(__file__, "sagline-analyser", argv)
    if status is None:
        from .cli import main as long_way

        status = long_way(argv)
    return status


def demo(argv: "Sequence[str] | None" = None) -> int:
    """Run ``sagline-demo`` and return the exit status."""
    status = at_once(__file__, "sagline-demo", argv)
    if status is None:
        from .demo import main as long_way

        status = long_way(argv)
    return status
