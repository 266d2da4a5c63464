"""Two settings held against each other: launches found, aligned, measured, tested, predicted."""
