"""Limits of the format, so that a reader's memory is bounded (protocol_docs/frame_format.md §8)."""

MAX_BODY = 4092
"""Longest frame body in bytes, without its CRC."""

MAX_ENCODED = 4113
"""Longest encoded frame in bytes, without the closing 0x00: COBS of MAX_BODY + 4 bytes."""

MAX_STREAMS = 16
MAX_CHANNELS = 64
MAX_NAME = 48
"""Board, stream, channel, program and file names, in bytes of UTF-8."""
MAX_UNIT = 16
MAX_LABEL = 32
MAX_TEXT = 1024
"""Event texts, notes, marks, setting values and link evidence, in bytes of UTF-8."""
MAX_FILE = 65536
"""Longest attached file (the board file) in bytes."""
MAX_FILE_PART = 2048
"""Most bytes of an attached file in one FILE record."""
MAX_FOREIGN = 2048
"""Most bytes in one FOREIGN or RAW record."""
