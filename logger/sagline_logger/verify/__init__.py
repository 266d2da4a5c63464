"""Checking a log: what is in it, what is missing, and how good its clock is."""
