"""From a log file to columns in units on one time axis."""

from .loader import load_ride
from .ride import (
    LinkGap,
    Quality,
    Ride,
    RideEvent,
    RideMark,
    RideSegment,
    StreamColumns,
)

__all__ = [
    "LinkGap",
    "Quality",
    "Ride",
    "RideEvent",
    "RideMark",
    "RideSegment",
    "StreamColumns",
    "load_ride",
]
