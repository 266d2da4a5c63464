"""The commands that capture: what is said on the command line, and what is shown."""
