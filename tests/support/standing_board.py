"""A board that stands still, healthy but for what a test changes about it."""

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from sagline_logger.format import (
    Board,
    Channel,
    DeviceRecord,
    Event,
    Samples,
    SampleType,
    Stream,
    encode_frame,
    vocabulary,
)

_RESOLUTION = {"V": -3, "A": -2, "°C": -1, "1": -3, "m/s": -3}
_MISSING = -(2**31)


@dataclass
class StandingBoard:
    """``fast`` and ``slow`` hold the constant reading of every channel by (name, index).

    ``skipped`` are fast records that are not sent; ``rate_error`` makes the fast stream quicker
    than it says, as a ratio; ``drift`` is how much the device's clock runs fast, as a ratio.
    """

    cells: list[float] = field(default_factory=lambda: [3.9] * 13)
    fast: dict[tuple[str, int], float] = field(
        default_factory=lambda: {
            ("pack_voltage", 0): 50.7,  # 13 × 3.9 V
            ("battery_current", 0): 0.25,
            ("motor_current", 1): 0.05,
            ("motor_current", 2): -0.04,
            ("throttle", 0): 0.0,
        }
    )
    slow: dict[tuple[str, int], float] = field(
        default_factory=lambda: {
            ("motor_temperature", 1): 21.0,
            ("motor_temperature", 2): 22.0,
            ("controller_temperature", 1): 23.0,
            ("controller_temperature", 2): 22.5,
            ("ambient_temperature", 0): 20.0,
        }
    )
    boot: int = 7
    skipped: frozenset[int] = frozenset()
    rate_error: float = 0.0
    drift: float = 0.0
    silent: frozenset[str] = frozenset()
    events: tuple[Event, ...] = ()

    def records(self, seconds: float) -> list[tuple[float, DeviceRecord]]:
        """Return (true s, record) pairs, in order; the streams have 100 and 10 samples a second."""
        slow = {("cell_voltage", number): volts for number, volts in enumerate(self.cells, 1)}
        plans = [
            ("fast", 10_000, 5, self.fast),
            ("slow", 100_000, 1, slow | self.slow),
        ]
        again = range(math.ceil(seconds))  # described every second, for who joins late
        records: list[tuple[float, DeviceRecord]] = [
            (float(second), Board(self.boot, 0, 0, len(plans), "Kestrel", "test 1"))
            for second in again
        ]
        records += [(0.0, event) for event in self.events]
        for number, (name, period, count, readings) in enumerate(plans):
            channels = tuple(
                Channel(
                    channel,
                    vocabulary()[channel].unit,
                    SampleType.I32,
                    index=index,
                    exponent=_RESOLUTION[vocabulary()[channel].unit],
                    missing=_MISSING,
                )
                for channel, index in readings
            )
            stream = Stream(self.boot, 0, number, name, period, channels)
            records += [(float(second), stream) for second in again]
            raw = [c.raw(v) for c, v in zip(channels, readings.values(), strict=True)]
            data = stream.layout.pack(*raw) * count
            step = count * period / 1e6 / (1 + self.rate_error * (name == "fast"))
            for n in range(0 if name in self.silent else int(seconds / step)):
                if n not in self.skipped or name != "fast":
                    clock = round(n * step * (1 + self.drift) * 1e6)
                    record = Samples(self.boot, number, 0, n * count, clock, count, data)
                    records.append((n * step, record))
        return sorted(records, key=lambda pair: pair[0])

    def play(self, send: Callable[[bytes], None], over: Callable[[], bool]) -> threading.Thread:
        """Give ``send`` every frame when it is due, on a thread of its own, until ``over``."""

        def run() -> None:
            began = time.monotonic()
            for at, record in self.records(600):
                while (wait := began + at - time.monotonic()) > 0:
                    time.sleep(min(wait, 0.05))
                if over():
                    return
                send(encode_frame(record.encode()))

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        return thread
