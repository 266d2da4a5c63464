"""The course for the page: the fixes, few enough to draw at once, and the scale of colours."""

import numpy as np

from ..findings.readings.course import find_course
from ..load.ride import Ride
from .page_data import CourseData

MOST = 1500
"""Fixes drawn; of more every so many."""

CIVIDIS = (
    "#00224e",
    "#123570",
    "#3b496c",
    "#575d6d",
    "#707173",
    "#8a8678",
    "#a59c74",
    "#c3b369",
    "#e1cc55",
    "#fee838",
)
"""Ten steps of a scale made to look alike with and without full colour sight, rising evenly in
lightness: J. R. Nuñez, C. R. Anderton, R. S. Renslow, PLoS ONE 13(7), e0199239 (2018), by the
values that plotly carries."""


def course_data(ride: Ride) -> CourseData | None:
    """Return the course in s and m from its first fix, None where there is none.

    ``cut`` lists the fixes that no line joins to the one before.
    """
    course = find_course(ride)
    if course is None:
        return None
    every = -(-len(course.time) // MOST)
    at = np.arange(0, len(course.time), every)
    parts = np.cumsum(course.gap)[at]
    return {
        "t": np.round(course.time[at], 2).tolist(),
        "x": np.round(course.east[at], 1).tolist(),
        "y": np.round(course.north[at], 1).tolist(),
        "cut": (np.flatnonzero(np.diff(parts)) + 1).tolist(),
        "scale": CIVIDIS,
    }
