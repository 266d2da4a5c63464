"""Whether the vehicle is in motion, when nobody should read a screen."""

from collections.abc import Mapping

from ..format import Channel
from ..live.glance import columns_of

WALKING = 1.5
"""m/s above which it is in motion: a little above walking pace (common practice, no source)."""
DRIVING = 5.0
"""A of motor current above which it is taken to be (common practice, no source)."""


def in_motion(values: Mapping[str, float], channels: Mapping[str, Channel]) -> bool | None:
    """Whether the latest ``values`` (by column) show motion; None where nothing tells."""
    speed = [abs(values[key]) for key in columns_of(values, channels, "speed")]
    current = [abs(values[key]) for key in columns_of(values, channels, "motor_current")]
    known = [one for one in (*speed, *current) if one == one]
    if any(one > WALKING for one in speed) or any(one > DRIVING for one in current):
        return True
    return False if known else None
