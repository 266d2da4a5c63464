"""The device's 32-bit microsecond clock, unwrapped."""

_SPAN = 1 << 32


class ClockUnwrapper:
    """Turns 32-bit clock readings of one boot into µs that keep rising past 2^32 (71.6 minutes).

    Readings may come a little out of order (streams are buffered apart): each is placed within
    ±2^31 µs (35.8 minutes) of the one before.  A gap longer than that within one boot needs the
    host's clock: pass the host µs that went by as ``elapsed``.
    """

    def __init__(self) -> None:
        self.last: int | None = None
        """The full reading last returned, µs; setting it takes readings back."""

    def unwrap(self, clock: int, elapsed: int | None = None) -> int:
        """Return the full reading in µs for the 32-bit reading ``clock``."""
        if self.last is None:
            self.last = clock
            return clock
        expected = self.last + (elapsed or 0)
        step = (clock - expected + (_SPAN >> 1)) % _SPAN - (_SPAN >> 1)
        self.last = expected + step
        return self.last
