"""What ``verify`` counts of a log, by the names of the vectors."""

import io

from sagline_logger.format import read_log
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
