"""A shared page that is small enough to send."""

from collections.abc import Collection
from dataclasses import dataclass

from sagline_logger.format import SaglineError, UsageError

from ..findings.basis import Basis
from ..findings.faults.order import Moment
from .choose import choose, shorter, window_around
from .keep import KEEP
from .page import page_parts
from .shared import Shared, shared
from .window_log import Window

MAX_SIZE = 5_000_000
"""Bytes of the page at most; what many mail and chat services still take."""
_WITHOUT_SAMPLES = 2_200_000
"""Bytes of a page without samples, about."""


@dataclass(frozen=True)
class FittedPage:
    """A shared window, its page as UTF-8, and the windows that were asked for and taken."""

    share: Shared
    page: bytes
    asked: Window
    taken: Window


def share_page(
    basis: Basis,
    moment: Moment | None = None,
    before: float | None = None,
    after: float | None = None,
    keep: Collection[str] = (),
    board: str | None = None,
) -> FittedPage:
    """Redact the stretch around ``moment`` and make its page, shortened until it is small enough.

    ``moment`` is by default the first of the worst kind in the ride; ``before`` and ``after`` are
    in s; ``keep`` names what else is given away, of :data:`~.keep.KEEP`; ``board`` is the text of
    the board file that gives the limits, by default the one inside the log.

    Raises:
        SaglineError: there is no such moment, nothing there may be shared, ``keep`` names
            something unknown, or even a short window does not fit.
    """
    for unknown in set(keep) - KEEP.keys():
        raise UsageError(f"nothing is called {unknown}", where="keep", remedy=", ".join(KEEP))
    ride = basis.raw
    moment = choose(basis.ride) if moment is None else moment
    text = ride.board_file if board is None else board
    window = asked = window_around(ride, moment, before, after)
    page = b""
    for _ in range(8):
        share = shared(ride, moment, window, frozenset(keep), text, basis)
        page = "".join(page_parts(share)).encode()
        if len(page) <= MAX_SIZE:
            return FittedPage(share, page, asked, window)
        part = 0.95 * (MAX_SIZE - _WITHOUT_SAMPLES) / (len(page) - _WITHOUT_SAMPLES)
        window = shorter(window, min(0.9, part))
    raise SaglineError(
        f"even {window.end - window.start:.1f} s make {len(page) / 1e6:.1f} MB",
        where=ride.path,
        remedy="choose a shorter stretch with --before and --after",
    )
