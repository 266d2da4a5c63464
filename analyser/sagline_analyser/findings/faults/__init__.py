"""What went wrong, what moved first, and what may have caused it."""
