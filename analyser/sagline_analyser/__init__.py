"""Sagline analyser: from a capture to columns, findings and pages."""

from .export import export_csv, export_parquet
from .load import Ride, load_ride
from .merge import merge

__all__ = ["Ride", "export_csv", "export_parquet", "load_ride", "merge"]
