"""Small device frames, for tests that need bytes rather than a believable machine."""

from collections.abc import Iterator

from sagline_logger.format import (
    Board,
    Channel,
    Event,
    EventKind,
    Samples,
    SampleType,
    Stream,
    encode_frame,
)

FAST = (
    Channel("pack_voltage", "V", SampleType.U16, exponent=-2),
    Channel("battery_current", "A", SampleType.I16, exponent=-1),
)
PERIOD = 10_000  # µs


class Device:
    """A device with one stream, which says what a real one would, frame by frame."""

    def __init__(
        self, boot: int = 1, name: str = "Kestrel", volts: float = 48.0, clock: int = 0
    ) -> None:
        self.boot = boot
        self.name = name
        self.volts = volts
        self.clock = clock
        self.sequence = 0
        self.stream = Stream(boot, 0, 0, "fast", PERIOD, FAST)

    def description(self) -> bytes:
        """Return the BOARD and STREAM frames."""
        board = Board(self.boot, self.clock % 2**32, 0, 1, self.name, "test 1")
        return encode_frame(board.encode()) + encode_frame(self.stream.encode())

    def samples(self, count: int = 5) -> bytes:
        """Return one SAMPLES frame; the current counts samples, so that each is unlike the next."""
        volts, pack = FAST[0].raw(self.volts), self.stream.layout.pack
        numbers = range(self.sequence, self.sequence + count)
        rows = b"".join([pack(volts, number % 30_000) for number in numbers])
        record = Samples(self.boot, 0, 0, self.sequence, self.clock % 2**32, count, rows)
        self.sequence += count
        self.clock += count * PERIOD
        return encode_frame(record.encode())

    def fault(self, number: int = 3) -> bytes:
        """Return an EVENT frame."""
        event = Event(self.boot, 0, self.clock % 2**32, EventKind.FAULT, number, 1, "too warm")
        return encode_frame(event.encode())

    def run(self, frames: int) -> Iterator[bytes]:
        """Yield a description and then SAMPLES frames."""
        yield self.description()
        for _ in range(frames):
            yield self.samples()
