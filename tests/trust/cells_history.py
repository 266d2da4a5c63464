"""Cells and packs with three earlier rides of the pack: four times the work of a case without."""

from trust.cells_bench import history_rows as rows
from trust.cells_bench import history_tables as tables
from trust.cells_bench import history_tables_of as tables_of

__all__ = ["rows", "tables", "tables_of"]
