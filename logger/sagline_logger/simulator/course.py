"""Where a simulated vehicle is: an invented loop on the open sea, where no road can be.

Every place is invented.  The loop is closed and has no sharp corner: its heading after ``s`` of
its ``LENGTH`` m is 2πs/LENGTH + BEND sin(6πs/LENGTH), whose sine and cosine integrate to zero.
"""

import math
from functools import cache

LENGTH = 4060.0
"""m around the loop; a longer ride goes around again."""

BEND = 0.9
"""Radians by which the road swings to either side of a circle, three times around."""

LATITUDE, LONGITUDE, ALTITUDE = -1.5, -5.5, 12.0
"""Where it starts: degrees, degrees and m, far out on the sea."""

SEMI_MAJOR, FLATTENING = 6_378_137.0, 1 / 298.257_223_563
"""m and ratio of the WGS 84 ellipsoid (NIMA TR8350.2, table 3.1; from memory)."""

_STEP = 1.0


@cache
def _table() -> tuple[tuple[float, float], ...]:
    """Return (east, north) in m after every whole step around the loop."""
    east = north = 0.0
    points = [(0.0, 0.0)]
    for n in range(math.ceil(LENGTH / _STEP)):
        way = (n + 0.5) * _STEP / LENGTH
        heading = 2 * math.pi * way + BEND * math.sin(6 * math.pi * way)
        east += _STEP * math.sin(heading)
        north += _STEP * math.cos(heading)
        points.append((east, north))
    return tuple(points)


def place(distance: float) -> tuple[float, float]:
    """Return (latitude, longitude) in degrees after ``distance`` m."""
    table = _table()
    steps = (distance % LENGTH) / _STEP
    at = min(int(steps), len(table) - 2)
    share = steps - at
    (east, north), (next_east, next_north) = table[at], table[at + 1]
    east += share * (next_east - east)
    north += share * (next_north - north)
    sine = math.sin(math.radians(LATITUDE))
    squared = FLATTENING * (2 - FLATTENING)
    root = math.sqrt(1 - squared * sine**2)
    # Radii of curvature of the ellipsoid: along the meridian, and across it.
    meridian = SEMI_MAJOR * (1 - squared) / root**3
    parallel = SEMI_MAJOR / root * math.cos(math.radians(LATITUDE))
    return (
        LATITUDE + math.degrees(north / meridian),
        LONGITUDE + math.degrees(east / parallel),
    )
