"""Sagline analyser: from a capture to columns, findings and pages.

``load_ride(path)`` gives a :class:`Ride`, :func:`open_basis` what of it can be trusted;
:func:`summarise`, :func:`find_crossings` and :func:`answers` its findings, :func:`figure` a plotly
figure, :func:`write_page` the report, :func:`merge` one table on a time grid, :func:`export_csv`
and :func:`export_parquet` files.
"""

from difflib import get_close_matches
from importlib import import_module
from typing import TYPE_CHECKING, Any

from sagline_logger import __version__
from sagline_logger.format import SaglineError

if TYPE_CHECKING:
    from .export import export_csv, export_parquet
    from .findings.answers import answers
    from .findings.basis import open_basis
    from .findings.crossings import crossings_frame, find_crossings
    from .findings.summary import summarise
    from .load import Ride, load_ride
    from .page.document import write_page
    from .page.figures import figure
    from .time_grid import merge

__all__ = [
    "Ride",
    "SaglineError",
    "__version__",
    "answers",
    "crossings_frame",
    "export_csv",
    "export_parquet",
    "figure",
    "find_crossings",
    "load_ride",
    "merge",
    "open_basis",
    "summarise",
    "write_page",
]

_HOMES = {
    "Ride": "load",
    "answers": "findings.answers",
    "crossings_frame": "findings.crossings",
    "export_csv": "export",
    "export_parquet": "export",
    "figure": "page.figures",
    "find_crossings": "findings.crossings",
    "load_ride": "load",
    "merge": "time_grid",
    "open_basis": "findings.basis",
    "summarise": "findings.summary",
    "write_page": "page.document",
}
"""The module of each name, imported when it is first used: ``--help`` needs no numpy."""


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        near = get_close_matches(name, _HOMES, 1)
        meant = f"; did you mean {near[0]}?" if near else ""
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}{meant}")
    return getattr(import_module(f".{_HOMES[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted(__all__)
