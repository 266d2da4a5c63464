"""The commands that are small enough to need no room of their own."""
