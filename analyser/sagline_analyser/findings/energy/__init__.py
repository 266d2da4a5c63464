"""What was used, what is left, and how far that goes."""
