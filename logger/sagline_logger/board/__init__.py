"""The ``board`` command: write a board file's template, or check one and show its limits."""
