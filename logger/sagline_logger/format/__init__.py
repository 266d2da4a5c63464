"""The open format: frames, records and log files (specification: ``protocol_docs/``).

This package stands alone: it imports neither the rest of the logger nor anything beyond the
standard library, and it is all of the logger that the analyser may import.  What it has is loaded
when it is first asked for, because a third of the programs' start-up time would go into it.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from .errors import FrameError, RecordError, SaglineError, UsageError
from .output import check_output, move_to_new, output, titled
from .vocabulary import Term, vocabulary

if TYPE_CHECKING:
    from .board_conflicts import board_conflicts, pack_conflicts
    from .board_file import load_board_file, read_board_file
    from .board_limits import (
        LIMIT_KINDS,
        Limit,
        derive_limits,
        settings_over_limits,
        speed_per_rpm,
        weakest,
        wheel_speed,
    )
    from .board_tables import (
        Battery,
        BatteryUnit,
        BoardFile,
        Conductor,
        Controller,
        Motor,
        Vehicle,
    )
    from .byte_kinds import ByteKind, BytesTold, tell_bytes
    from .caution import CAUTION
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
    from .device_stream import (
        EVENTS,
        CaptureStarts,
        Description,
        DeviceReader,
        Heard,
        Numbers,
        Segment,
        Verdict,
        VersionGate,
        device_record,
    )
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
        Raw,
        RawForm,
        RawUse,
        Setting,
        Time,
    )
    from .log_file import SIGNATURE, SUFFIX, ZEROS, Entry, check_is_log, open_log, read_log
    from .records import Record, Unknown, decode_record, is_host_kind
    from .wrapped import ARCHIVE_SUFFIX, broken_off, packed_pieces, wrap_in_page

__all__ = [
    "ARCHIVE_SUFFIX",
    "CAUTION",
    "EVENTS",
    "LAYOUT",
    "LIMIT_KINDS",
    "SAMPLES_HEADER",
    "SIGNATURE",
    "SIZE",
    "SUFFIX",
    "VERSION",
    "ZEROS",
    "Battery",
    "BatteryUnit",
    "Board",
    "BoardFile",
    "ByteKind",
    "BytesTold",
    "Capture",
    "CaptureStarts",
    "Channel",
    "ClockUnwrapper",
    "Conductor",
    "Controller",
    "Description",
    "DeviceReader",
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
    "Heard",
    "HostRecord",
    "Instant",
    "Limit",
    "Link",
    "LinkState",
    "LogStart",
    "Mark",
    "Motor",
    "Numbers",
    "Piece",
    "Raw",
    "RawForm",
    "RawUse",
    "Record",
    "RecordError",
    "SaglineError",
    "SampleType",
    "Samples",
    "Segment",
    "Setting",
    "Stream",
    "Term",
    "Time",
    "Unknown",
    "UsageError",
    "Vehicle",
    "Verdict",
    "VersionGate",
    "board_conflicts",
    "bounds",
    "broken_off",
    "check_is_log",
    "check_output",
    "decode_frame",
    "decode_record",
    "derive_limits",
    "device_record",
    "encode_frame",
    "is_host_kind",
    "load_board_file",
    "move_to_new",
    "open_log",
    "output",
    "pack_conflicts",
    "packed_pieces",
    "read_board_file",
    "read_log",
    "scale",
    "settings_over_limits",
    "speed_per_rpm",
    "tell_bytes",
    "titled",
    "vocabulary",
    "weakest",
    "wheel_speed",
    "wrap_in_page",
]

_HOMES = {
    name: module
    for module, names in (
        ("board_conflicts", "board_conflicts pack_conflicts"),
        ("board_file", "load_board_file read_board_file"),
        ("board_limits", "LIMIT_KINDS Limit derive_limits settings_over_limits speed_per_rpm"),
        ("board_limits", "weakest wheel_speed"),
        ("board_tables", "Battery BatteryUnit BoardFile Conductor Controller Motor Vehicle"),
        ("byte_kinds", "ByteKind BytesTold tell_bytes"),
        ("caution", "CAUTION"),
        ("channels", "LAYOUT SIZE Channel SampleType bounds scale"),
        ("device_clock", "ClockUnwrapper"),
        ("device_records", "SAMPLES_HEADER VERSION Board DeviceRecord Event EventKind Samples"),
        ("device_records", "Stream"),
        ("device_stream", "EVENTS CaptureStarts Description DeviceReader Heard Numbers Segment"),
        ("device_stream", "Verdict VersionGate device_record"),
        ("frame", "Fault FrameSplitter Piece decode_frame encode_frame"),
        ("host_records", "Capture Dropped End FilePart Foreign HostRecord Instant Link LinkState"),
        ("host_records", "LogStart Mark Raw RawForm RawUse Setting Time"),
        ("log_file", "SIGNATURE SUFFIX ZEROS Entry check_is_log open_log read_log"),
        ("records", "Record Unknown decode_record is_host_kind"),
        ("wrapped", "ARCHIVE_SUFFIX broken_off packed_pieces wrap_in_page"),
    )
    for name in names.split()
}
"""Name to the module that has it, imported when the name is first asked for: a start that only
shows help needs none of them.  ``output`` and ``vocabulary`` name modules too, so they are there
at once."""


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    globals()[name] = found = getattr(import_module(f".{_HOMES[name]}", __name__), name)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
