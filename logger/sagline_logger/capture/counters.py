"""What a capture counts; one thread writes, any may read."""

from collections import deque
from dataclasses import dataclass, field

_STEP, _STEPS = 0.1, 12  # s between two looks at the count of bytes, and how many are kept


@dataclass
class Counters:
    """Counts since the capture began."""

    received: int = 0
    """Bytes from the device."""
    frames: int = 0
    """Sound device frames."""
    foreign: int = 0
    """Received bytes that were no device frame."""
    reconnects: int = 0
    restarts: int = 0
    marks: int = 0
    """Number of the last mark."""
    _looks: deque[tuple[float, int]] = field(default_factory=lambda: deque(maxlen=_STEPS))

    def look(self, now: float) -> None:
        """Note the bytes so far at ``now`` s, for the rate."""
        if not self._looks or now - self._looks[-1][0] >= _STEP:
            self._looks.append((now, self.received))

    def rate(self, now: float) -> float:
        """Return bytes per second over about the last second."""
        looks = list(self._looks)
        spent = now - looks[0][0] if looks else 0.0
        return (self.received - looks[0][1]) / spent if spent > 0 else 0.0
