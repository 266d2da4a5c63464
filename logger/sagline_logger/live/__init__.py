"""The live view: a few large numbers in the terminal, alarms, and the mark key."""
