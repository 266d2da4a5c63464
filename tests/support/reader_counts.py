"""What ``verify``, the loader and `record` count of a log, by the names of the vectors."""

import io

from sagline_analyser.load import Ride
from sagline_logger.capture.listener import Listener
from sagline_logger.format import (
    CaptureStarts,
    FrameSplitter,
    RecordError,
    Time,
    decode_record,
    read_log,
)
from sagline_logger.verify.survey import Survey, survey


def verify_counts(log: bytes) -> tuple[Survey, dict[str, int]]:
    """Return the survey of ``log``, and each of its counts."""
    found = survey(read_log(io.BytesIO(log)), len(log))
    return found, {
        "received": sum(stream.samples for stream in found.streams.values()),
        "lost": found.lost_samples,
        "events lost": found.lost_events,
        "repeated": found.repeated,
        "went back": found.went_back,
        "undescribed": found.undescribed,
        "misfit": found.misfits,
        "unheard": found.unheard,
        "restarts under one number": found.same_number,
        "contradictions": found.contradicted,
        "damaged places": found.damaged,
        "damaged bytes": found.damaged_bytes,
        "captures": found.captures,
        "frames": found.frames,
        "unknown version": found.strange_frames,
        "foreign": sum(found.foreign.values()),
        "dropped frames": found.dropped_frames,
        "missing frames": found.missing_frames,
        "missing bytes": found.missing_bytes,
    }


def loader_counts(ride: Ride) -> dict[str, int]:
    """Return each count that a loaded ride tells."""
    quality = ride.quality
    return {
        "received": sum(len(one.time) for one in ride.streams.values()),
        "lost": sum(quality.lost_samples.values()),
        "events lost": quality.lost_events,
        "repeated": quality.repeated_records,
        "went back": quality.went_back,
        "undescribed": quality.undescribed_samples,
        "misfit": quality.misfit_samples,
        "unheard": quality.unheard_samples,
        "restarts under one number": quality.same_number_restarts,
        "damaged places": quality.damaged_frames,
        "captures": quality.captures,
        "frames": quality.frames,
        "unknown version": quality.strange_frames,
        "foreign": quality.foreign_bytes,
        "dropped frames": quality.dropped_frames,
    }


def listener_counts(log: bytes) -> tuple[int, dict[str, int], dict[str, float]]:
    """Return the starts, the counts, and the latest values, of what `record` counts with: each
    capture's device frames through a listener, as they would have come off the wire."""
    starts, listeners, segments = CaptureStarts(), [Listener()], 0
    for piece in FrameSplitter().feed(log):
        if piece.body is None:
            continue
        try:
            record = decode_record(piece.body)
        except RecordError:
            record = None
        if starts.begins(record):
            listeners.append(Listener())
        listener = listeners[-1]
        if piece.body[0] >= 0x80:
            listener.host = record.at.monotonic if isinstance(record, Time) else listener.host
            continue
        before = listener.boot
        if not listener.hear(piece.body):
            segments += 1
            listener.new_boot()
            assert listener.hear(piece.body)
        elif before is None and listener.boot is not None:
            segments += 1
    counts = {
        "lost": sum(one.lost for one in listeners),
        "repeated": sum(one.repeated for one in listeners),
        "went back": sum(one.went_back for one in listeners),
    }
    return segments, counts, listeners[-1].values()
