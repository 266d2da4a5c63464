"""A column file (CSV) of anyone's to a log: the map that declares it, and the conversion."""

from sagline_logger.format.columns.column_map import ColumnMap, load_map

from .convert import Converted, convert
from .suggest import suggest

__all__ = ["ColumnMap", "Converted", "convert", "load_map", "suggest"]
