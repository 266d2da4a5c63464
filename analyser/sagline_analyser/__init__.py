"""Sagline analyser: from a capture to columns, findings and pages."""
