"""The device's clock."""

from dataclasses import dataclass

SPAN = 1 << 32
"""µs until the 32-bit clock starts over: 71.6 minutes."""


@dataclass(frozen=True, slots=True)
class DeviceClock:
    """``start`` is the first boot's reading in µs at power-on, ``boot`` its number.

    ``drift`` is by how many millionths the device's clock runs fast.  The simulation counts device
    time; whoever paces it against a true clock uses :meth:`true_seconds`.
    """

    start: int = 0
    boot: int = 1
    drift: float = 0.0

    def true_seconds(self, device_time: int) -> float:
        """Return the true time in s that passes while the device counts ``device_time`` µs."""
        return device_time / (1e6 + self.drift)


def reading(start: int, elapsed: int) -> int:
    """Return the 32-bit clock ``elapsed`` µs after it read ``start``."""
    return (start + elapsed) % SPAN
