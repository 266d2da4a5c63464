"""Text in columns, of anyone's: the map that declares it, and its cells as raw samples, exactly.

For column files (``sagline-analyser import``) and for boards that print lines (``sagline-logger
record --lines``) alike.  Not imported by :mod:`sagline_logger.format` itself: few commands need it.
"""

from .column_map import ColumnMap, load_map

__all__ = ["ColumnMap", "load_map"]
