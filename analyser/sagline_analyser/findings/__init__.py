"""Findings: pure functions from a Ride to frozen results."""
