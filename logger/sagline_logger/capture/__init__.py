"""Live capture: byte sources, the recorder and its log files."""
