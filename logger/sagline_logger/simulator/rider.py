"""The rider: turns an intention into throttle and brake."""

import random

from .scenario import Leg

PROPORTIONAL = 0.35
"""Throttle for each m/s of missing speed (invented)."""

INTEGRAL = 0.12
"""Throttle gained per second for each m/s of missing speed (invented)."""

PATIENCE = 0.4
"""m/s of excess speed that a rider lets pass before braking (invented)."""

HAND_SPEED = 3.0
"""Lever travel per second, full travel being 1 (invented)."""

WANDER = 0.02
"""Standard deviation of the wish itself, as a ratio; people do not hold a speed (invented)."""

WANDER_EVERY = 2.0
"""s between changes of the wish."""


class Rider:
    """A rider's hands; ``step`` in s between calls."""

    def __init__(self, seed: int, step: float) -> None:
        self._chance = random.Random(f"rider {seed}")
        self._step = step
        self._sum = 0.0
        self._wish = 1.0
        self._wish_left = 0.0
        self.throttle = 0.0
        self.brake = 0.0

    def begin(self) -> None:
        """Begin a leg: forget the effort the last one took."""
        self._sum = self.throttle

    def act(self, leg: Leg, speed: float, drive_cut: bool) -> tuple[float, float]:
        """Return throttle and brake (0 to 1) at ``speed`` m/s.

        A rider whose drive is cut lets go and brakes to a stop.
        """
        self._wish_left -= self._step
        if self._wish_left <= 0.0:
            self._wish_left = WANDER_EVERY
            self._wish = 1.0 + WANDER * self._chance.gauss(0.0, 1.0)
        if drive_cut or leg.target_speed <= 0.0:
            self._sum = 0.0
            throttle, brake = 0.0, leg.brake
        else:
            throttle, brake = self._pursue(leg, leg.target_speed * self._wish - speed)
        reach = HAND_SPEED * self._step
        self.throttle += min(max(throttle - self.throttle, -reach), reach)
        self.brake += min(max(brake - self.brake, -reach), reach)
        return self.throttle, self.brake

    def _pursue(self, leg: Leg, short: float) -> tuple[float, float]:
        effort = PROPORTIONAL * short + self._sum
        # The sum stands still while the hand is at its stop, or it would wind up on a long hill.
        if (effort < leg.throttle or short < 0.0) and (effort > 0.0 or short > 0.0):
            self._sum += INTEGRAL * short * self._step
        throttle = min(max(effort, 0.0), leg.throttle)
        excess = -short - PATIENCE
        brake = min(PROPORTIONAL * excess, leg.brake) if excess > 0.0 else 0.0
        return (0.0, brake) if brake > 0.0 else (throttle, 0.0)
