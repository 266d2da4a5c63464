"""Limits that were reached or passed, and which part came nearest its own."""
