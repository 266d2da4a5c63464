"""Where the ride went, and how steep the road was: positions and altitudes made usable.

Positions are laid flat by the equirectangular projection about the first one, as J. P. Snyder
gives it with the standard parallel there ("Map Projections: A Working Manual", USGS Professional
Paper 1395, 1987, pp. 90–91; from memory): over the some ten kilometres of a ride it misses
distances by well under a percent away from the poles.  No map is asked for, so nobody is told
where the ride was.
"""

from dataclasses import dataclass

import numpy as np

from ...load.ride import Ride
from .coverage import ENOUGH, coverage
from .gathered import Gathered
from .series import Array, Flags, Series, clean, column, interpolate, steps
from .unknown import NotKnown

RADIUS = 6_371_008.8
"""m: mean radius of the Earth, R1 = (2a + b)/3 of the GRS 80 ellipsoid (IUGG 1980; from memory)."""

LEAP = 100.0
"""m/s between two fixes above which the later one is no fix of the same vehicle (our choice)."""

GRAIN = 10.0
"""m between the points of a height profile."""

SPAN = 60.0
"""m over which a slope is told: over less the noise of a receiver's altitude is steeper than a
road (our choice)."""

FURTHEST = 1e7
"""m beyond which a way is none of one ride: a speed in some other unit, or a broken one."""

SWAY = 3.0
"""m that a climb must gain before it counts: less is an altitude's noise (our choice)."""


@dataclass(frozen=True)
class Course:
    """Fixes in time order: s, and m east and north of the first one, each shape (n,).

    ``gap`` is True where the line to the fix before must not be drawn.
    """

    time: Array
    east: Array
    north: Array
    gap: Flags


@dataclass(frozen=True)
class Heights:
    """The road's height in m and its slope (rise over way) at ``distance`` m, each shape (n,)."""

    distance: Array
    height: Array
    slope: Array

    @property
    def climbed(self) -> float:
        """Return the m gained in all climbs of at least :data:`SWAY`."""
        return _gained(self.height)

    @property
    def descended(self) -> float:
        """Return the m lost in all descents of at least :data:`SWAY`."""
        return _gained(-self.height)


def find_course(ride: Ride) -> Course | None:
    """Return where the ride went, None without two fixes.

    A pair that is out of range, or exactly 0°, 0°, which receivers send without a fix (common
    practice, no source), is none; one that leaps from the fix before is left out.
    """
    latitude, longitude = column(ride, "latitude"), column(ride, "longitude")
    if latitude is None or longitude is None:
        return None
    north, east = latitude.value, interpolate(longitude, latitude.time)
    bad = ~np.isfinite(east) | (np.abs(north) > 90) | (np.abs(east) > 180)
    bad |= (north == 0) & (east == 0)
    kept = clean(latitude.time, np.where(bad, np.nan, north), latitude.gap)
    if len(kept) < 2:
        return None
    east = east[~bad]
    turn = np.radians((east - east[0] + 180) % 360 - 180)  # across the 180th meridian too
    x = RADIUS * np.cos(np.radians(kept.value[0])) * turn
    y = RADIUS * np.radians(kept.value - kept.value[0])
    good = _reachable(kept.time, x, y)
    if np.count_nonzero(good) < 2:
        return None
    gap = kept.gap | ~np.r_[True, good[:-1]]
    return Course(kept.time[good], x[good], y[good], gap[good])


def _reachable(time: Array, x: Array, y: Array) -> Flags:
    """Return which fixes a vehicle could have reached from the last one that counts."""
    pace = np.hypot(np.diff(x), np.diff(y)) / np.maximum(np.diff(time), 1e-3)
    good = np.ones(len(time), bool)
    if not (pace > LEAP).any():
        return good
    last = 0
    for n in range(1, len(time)):
        way = np.hypot(x[n] - x[last], y[n] - y[last])
        good[n] = way <= LEAP * max(time[n] - time[last], 1e-3)
        if good[n]:
            last = n
    # The first fix may be the wrong one: then nearly all others are "unreachable".
    if np.count_nonzero(good) < len(good) / 2:
        good[1:] = _reachable(time[1:], x[1:], y[1:])
        good[0] = False
    return good


def travelled(it: Gathered) -> Series | None:
    """Return the way in m since the start over time, None where the speed is not known."""
    speed = it.speed
    if isinstance(speed, NotKnown) or len(speed.series) < 2:
        return None
    series = speed.series
    pace = np.abs(series.value)
    way = np.r_[0.0, np.cumsum(steps(series) * (pace[1:] + pace[:-1]) / 2)]
    return Series(series.time, way, series.gap)


def find_heights(it: Gathered) -> Heights | None:
    """Return the road's profile by the altitude channel, None where it shows too little."""
    ride = it.ride
    altitude, way = column(ride, "altitude"), travelled(it)
    if altitude is None or way is None:
        return None
    if min(coverage(ride, altitude).share, coverage(ride, way).share) < ENOUGH:
        return None  # what was climbed elsewhere is not known, nor how far it is from here to there
    at = interpolate(way, altitude.time)
    known = np.isfinite(at)
    if not known.any() or not 2 * SPAN <= at[known][-1] <= FURTHEST:
        return None
    cell = (at[known] / GRAIN).astype(int)
    counts = np.bincount(cell)
    filled = counts > 0
    counts = counts[filled]
    means = np.bincount(cell, altitude.value[known])[filled] / counts
    middles = np.bincount(cell, at[known])[filled] / counts
    distance = np.arange(middles[0], middles[-1] + 1e-6, GRAIN)
    height = np.interp(distance, middles, means)
    if len(distance) * GRAIN < 2 * SPAN:
        return None
    # A straight line through each stretch of SPAN is the slope there.
    half = round(SPAN / GRAIN / 2)
    width = np.arange(-half, half + 1) * GRAIN
    padded = np.pad(height, half, mode="reflect", reflect_type="odd")
    slope = np.convolve(padded, width[::-1] / np.sum(width**2), "valid")
    smooth = np.convolve(padded, np.ones(2 * half + 1) / (2 * half + 1), "valid")
    return Heights(distance, smooth, slope)


def slope_at(heights: Heights, way: Array) -> Array:
    """Return the slope at some m of way, NaN outside the profile."""
    return np.interp(way, heights.distance, heights.slope, left=np.nan, right=np.nan)


def _gained(height: Array) -> float:
    """Return the sum of all rises of at least :data:`SWAY` between turning points."""
    total, low, high = 0.0, float(height[0]), float(height[0])
    for value in height.tolist():
        if value > high:
            high = value
        elif high - value >= SWAY:  # it has turned: what was climbed since the low point counts
            total += high - low if high - low >= SWAY else 0.0
            low = high = value
        elif value < low:
            low = high = value
    return total + (high - low if high - low >= SWAY else 0.0)
