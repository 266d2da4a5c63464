"""Frames for the Bluetooth stand-in to send."""

import random

from sagline_logger.format import Board, Channel, Samples, SampleType, Stream, encode_frame

_DRIVE = Stream(
    7,
    1,
    0,
    "drive",
    10_000,
    (
        Channel("battery_current", "A", SampleType.I16, exponent=-2),
        Channel("motor_current", "A", SampleType.I16, exponent=-2, index=1),
        Channel("motor_current", "A", SampleType.I16, exponent=-2, index=2),
    ),
)
BOARD = encode_frame(Board(7, 0, 1, 1, "Kestrel", "trike 1.0").encode())
GREETING = BOARD + encode_frame(_DRIVE.encode())


class SampleFrames:
    """Endless SAMPLES frames of 1 to 20 random samples, numbered without a gap."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)
        self._sequence = 0

    def take(self, count: int) -> list[bytes]:
        """Return the next ``count`` frames."""
        return [self._next() for _ in range(count)]

    def _next(self) -> bytes:
        count = self._random.randint(1, 20)
        data = self._random.randbytes(count * _DRIVE.layout.size)
        clock = self._sequence * _DRIVE.period % (1 << 32)
        samples = Samples(7, 0, 1, self._sequence, clock, count, data)
        self._sequence += count
        return encode_frame(samples.encode())
