"""Loading a log against reading the same samples as CSV (pandas) and as MCAP messages.

One hour, 100 Hz, 40 channels of 16 bits.  Run: ``python tests/benchmarks/load.py``.  Prints ratios,
which hold on any machine; the seconds beside them are this machine's.
"""

import sys
import tempfile
import time
from io import BytesIO
from pathlib import Path

import numpy as np
import pandas as pd
from mcap.reader import make_reader
from mcap.writer import CompressionType, Writer

sys.path.insert(0, str(Path(__file__).parents[1]))

from sagline_analyser import load_ride
from sagline_logger.format import (
    SIGNATURE,
    Board,
    Capture,
    Channel,
    Instant,
    Samples,
    SampleType,
    Stream,
    Time,
    encode_frame,
)
from support.timing import best_of

RATE = 100
ROWS = 3600 * RATE
PER_FRAME = 10
CHANNELS = 40
ROUNDS = 40


def make_samples() -> np.ndarray:
    """Return raw samples, int16 (rows, channels): random walks, so that nothing is easy."""
    steps = np.random.default_rng(1).integers(-9, 10, (ROWS, CHANNELS))
    walk = np.cumsum(steps, axis=0) + np.linspace(-2000, 4000, CHANNELS).astype(int)
    return np.clip(walk, -32000, 32000).astype("<i2")


def write_log(path: Path, samples: np.ndarray, per_frame: int) -> Stream:
    """Write ``samples`` as a log, a descriptor every 5 s and a TIME before every frame."""
    channels = tuple(
        Channel("channel", "A", SampleType.I16, exponent=-2, index=n + 1, missing=-32768)
        for n in range(CHANNELS)
    )
    stream = Stream(1, 0, 0, "fast", 10**6 // RATE, channels)
    with path.open("wb") as file:
        file.write(SIGNATURE)
        file.write(encode_frame(Capture(Instant(0, 0), "benchmark", "none").encode()))
        told = -250_000
        for row in range(0, len(samples), per_frame):
            clock = row * stream.period
            if row % (5 * RATE) == 0:
                file.write(encode_frame(Board(1, clock, 0, 1, "bench").encode()))
                file.write(encode_frame(stream.encode()))
            if clock >= told + 250_000:  # as often as the recorder does
                told = clock
                file.write(encode_frame(Time(Instant(clock, clock), 0).encode()))
            some = samples[row : row + per_frame]
            record = Samples(1, 0, 0, row, clock, len(some), some.tobytes())
            file.write(encode_frame(record.encode()))
    return stream


def write_mcap(path: Path, samples: np.ndarray) -> None:
    """Write one message a sample row, uncompressed, the packed bytes as they are."""
    with path.open("wb") as file:
        writer = Writer(file, compression=CompressionType.NONE)
        writer.start()
        schema = writer.register_schema("row", "", b"")
        channel = writer.register_channel("fast", "", schema)
        for row in range(len(samples)):
            at = row * 10**7
            writer.add_message(channel, at, samples[row].tobytes(), at)
        writer.finish()


def read_mcap(path: Path) -> int:
    """Read every message; return how many bytes of samples they held."""
    reader = make_reader(BytesIO(path.read_bytes()))
    return sum(len(message.data) for _, _, message in reader.iter_messages())


def main() -> None:
    """Write the three files, time reading them and print the ratios."""
    samples = make_samples()
    with tempfile.TemporaryDirectory() as where:
        log, single, csv, mcap = (
            Path(where, name) for name in ("a.sagline", "b.sagline", "c.csv", "d.mcap")
        )
        stream = write_log(log, samples, PER_FRAME)
        write_log(single, samples, 1)
        write_mcap(mcap, samples)
        values = {c.key: samples[:, n] / 100 for n, c in enumerate(stream.channels)}
        table = pd.DataFrame({"time": np.arange(ROWS) / RATE, **values})
        table.to_csv(csv, index=False)

        read = pd.read_csv(csv, engine="c")
        loaded = load_ride(log).streams["fast"]
        for key in stream.channels:
            assert np.array_equal(loaded.values[key.key], read[key.key])  # the very same doubles
        assert read_mcap(mcap) == samples.nbytes

        csv_time, log_time, single_time = best_of(
            ROUNDS,
            lambda: pd.read_csv(csv, engine="c"),
            lambda: load_ride(log),
            lambda: load_ride(single),
        )
        start = time.perf_counter()
        read_mcap(mcap)
        mcap_time = time.perf_counter() - start
        sizes = {p.name: p.stat().st_size for p in (log, single, csv, mcap)}
        size, csv_size = sizes["a.sagline"], sizes["c.csv"]
    print(f"1 h x {RATE} Hz x {CHANNELS} channels of int16, {PER_FRAME} samples a frame")
    print(f"load_ride                 {log_time:7.3f} s   {size / 1e6:6.1f} MB")
    print(f"load_ride, 1 sample/frame {single_time:7.3f} s   {sizes['b.sagline'] / 1e6:6.1f} MB")
    print(f"pandas.read_csv (C)       {csv_time:7.3f} s   {csv_size / 1e6:6.1f} MB")
    print(f"mcap messages             {mcap_time:7.3f} s   {sizes['d.mcap'] / 1e6:6.1f} MB")
    print(f"faster than CSV : {csv_time / log_time:5.1f} x   (aim 3)")
    print(f"faster than mcap: {mcap_time / log_time:5.1f} x   (aim 10)")
    print(f"size of the CSV : {size / csv_size:5.2f} x   (aim 0.4 or less)")


if __name__ == "__main__":
    main()
