"""Sagline analyser: from a capture to columns, findings and pages."""

from .load import Ride, load_ride

__all__ = ["Ride", "load_ride"]
