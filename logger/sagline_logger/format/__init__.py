"""The open format: frames, records and log files (specification: ``protocol_docs/``).

This package stands alone: it imports neither the rest of the logger nor anything beyond the
standard library, and it is all of the logger that the analyser may import.
"""

from .channels import LAYOUT, SIZE, Channel, SampleType, bounds, scale
from .device_clock import ClockUnwrapper
from .device_records import (
    SAMPLES_HEADER,
    VERSION,
    Board,
    DeviceRecord,
    Event,
    EventKind,
    Samples,
    Stream,
)
from .errors import FrameError, RecordError, SaglineError
from .frame import Fault, FrameSplitter, Piece, decode_frame, encode_frame
from .host_records import (
    Capture,
    Dropped,
    End,
    FilePart,
    Foreign,
    HostRecord,
    Instant,
    Link,
    LinkState,
    LogStart,
    Mark,
    Setting,
    Time,
)
from .log_file import SIGNATURE, SUFFIX, Entry, check_is_log, open_log, read_log
from .records import Record, Unknown, decode_record, is_host_kind
from .vocabulary import Term, vocabulary

__all__ = [
    "LAYOUT",
    "SAMPLES_HEADER",
    "SIGNATURE",
    "SIZE",
    "SUFFIX",
    "VERSION",
    "Board",
    "Capture",
    "Channel",
    "ClockUnwrapper",
    "DeviceRecord",
    "Dropped",
    "End",
    "Entry",
    "Event",
    "EventKind",
    "Fault",
    "FilePart",
    "Foreign",
    "FrameError",
    "FrameSplitter",
    "HostRecord",
    "Instant",
    "Link",
    "LinkState",
    "LogStart",
    "Mark",
    "Piece",
    "Record",
    "RecordError",
    "SaglineError",
    "SampleType",
    "Samples",
    "Setting",
    "Stream",
    "Term",
    "Time",
    "Unknown",
    "bounds",
    "check_is_log",
    "decode_frame",
    "decode_record",
    "encode_frame",
    "is_host_kind",
    "open_log",
    "read_log",
    "scale",
    "vocabulary",
]
