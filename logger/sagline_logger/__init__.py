"""Sagline logger: captures a board's telemetry and keeps it whole."""

__version__ = "0.1.0"
