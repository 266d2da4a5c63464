"""What ``verify`` and the loader count of a log, by the names of the vectors."""

import io

from sagline_analyser.load import Ride
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
