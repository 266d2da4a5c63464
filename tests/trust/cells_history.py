"""Cells and packs with three earlier rides of the pack: four times the work of a case without."""

from trust.cells_bench import history_tables as tables

__all__ = ["tables"]
