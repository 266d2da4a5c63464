"""Sagline analyser: from a capture to columns, findings and pages.

``load_ride(path)`` gives a :class:`Ride`, :func:`open_basis` what of it can be trusted;
:func:`summarise`, :func:`find_crossings` and :func:`answers` its findings, :func:`figure` a plotly
figure, :func:`write_page` the report, :func:`merge` one table on a time grid, :func:`export_csv`
and :func:`export_parquet` files.  :func:`fault_moments` finds what went wrong,
:func:`what_came_first` tells its story, :func:`share_page` makes the page to hand on.
:func:`compare_rides` holds two settings against each other (:func:`write_comparison` its page), and
:func:`open_library` knows all rides below a directory (:func:`write_trends`).
"""

from sagline_logger import __version__

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from sagline_logger.format import SaglineError

    from .compare.comparison import compare_rides
    from .compare.page import write_comparison
    from .export import export_csv, export_parquet
    from .findings.answers import answers
    from .findings.basis import open_basis
    from .findings.faults.moments import fault_moments
    from .findings.faults.order import what_came_first
    from .findings.limits.crossings import crossings_frame, find_crossings
    from .findings.readings.summary import summarise
    from .load import Ride, load_ride
    from .page.document import write_page
    from .page.figures import figure
    from .rides.library import open_library
    from .rides.trends import write_trends
    from .share.fitting import share_page
    from .time_grid import merge

__all__ = [
    "Ride",
    "SaglineError",
    "__version__",
    "answers",
    "compare_rides",
    "crossings_frame",
    "export_csv",
    "export_parquet",
    "fault_moments",
    "figure",
    "find_crossings",
    "load_ride",
    "merge",
    "open_basis",
    "open_library",
    "share_page",
    "summarise",
    "what_came_first",
    "write_comparison",
    "write_page",
    "write_trends",
]

_HOMES = {
    "Ride": ".load",
    "SaglineError": "sagline_logger.format",
    "answers": ".findings.answers",
    "compare_rides": ".compare.comparison",
    "crossings_frame": ".findings.limits.crossings",
    "export_csv": ".export",
    "export_parquet": ".export",
    "fault_moments": ".findings.faults.moments",
    "figure": ".page.figures",
    "find_crossings": ".findings.limits.crossings",
    "load_ride": ".load",
    "merge": ".time_grid",
    "open_basis": ".findings.basis",
    "open_library": ".rides.library",
    "share_page": ".share.fitting",
    "summarise": ".findings.readings.summary",
    "what_came_first": ".findings.faults.order",
    "write_comparison": ".compare.page",
    "write_page": ".page.document",
    "write_trends": ".rides.trends",
}
"""The module of each name, imported when it is first used: ``--help`` needs no numpy."""


def __getattr__(name: str) -> "Any":
    if name not in _HOMES:
        from difflib import get_close_matches

        near = get_close_matches(name, _HOMES, 1)
        meant = f"; did you mean {near[0]}?" if near else ""
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}{meant}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name], __name__), name)


def __dir__() -> list[str]:
    return sorted(__all__)
