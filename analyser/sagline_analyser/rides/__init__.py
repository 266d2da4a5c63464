"""A library of rides: what each holds in figures, kept in an index; trends over time."""

from .library import Library, open_library
from .ride_figures import CellFigures, PackFigures, RideFigures, figures_of

__all__ = ["CellFigures", "Library", "PackFigures", "RideFigures", "figures_of", "open_library"]
