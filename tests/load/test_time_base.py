"""Times against truth: jitter, drift, wrap-around, restart, host clock steps, long silence."""

import io
from pathlib import Path

import numpy as np
import pytest

from sagline_analyser import Ride, load_ride
from sagline_analyser.load.timebase import fit
from sagline_logger.format import (
    Channel,
    Event,
    EventKind,
    Link,
    LinkState,
    Mark,
    Record,
    SampleType,
    Stream,
    Time,
    read_log,
)
from sagline_logger.verify.survey import survey
from support.logs import WALL, at, board, log_bytes, pack, time

PERIOD = 10_000
START = 77_000_000_000  # host µs at the capture's start
CHANNELS = (
    Channel("truth", "s", SampleType.I32, exponent=-3),
    Channel("pack_voltage", "V", SampleType.U16, exponent=-2),
)


def drive(
    boot: int, first: float, seconds: float, drift: float, clock: int, seed: int, volts: int = 4800
) -> list[Record]:
    """Return what a device with a drifting clock sends, heard with up to 50 ms of delay.

    ``first`` is when its sample 0 was taken, in s after the capture's start; each sample's value
    ``truth`` is the true time in ms.  ``drift`` is how fast its clock runs, as a fraction.
    """
    random = np.random.default_rng(seed)
    stream = Stream(boot, 0, 0, "fast", PERIOD, CHANNELS)
    booted = time(START + round(first * 1e6))
    records: list[Record] = [booted, board(boot, clock), stream]
    period = PERIOD / 1e6 / (1 + drift)  # true s between two samples
    heard = 0.0
    for n in range(0, int(seconds / period), 5):
        taken = first + n * period
        rows = [(round(1000 * (taken + i * period)), volts) for i in range(5)]
        sent = taken + 4 * period
        heard = max(heard, sent + random.uniform(0, 0.05))  # a link keeps the order
        records.append(time(START + round(heard * 1e6)))
        records.append(pack(stream, n, clock + n * PERIOD, rows))
    return records


@pytest.mark.parametrize("seconds", [25, 61, 90])
@pytest.mark.parametrize("ppm", [0, -100, 200])
def test_what_comes_another_way_does_not_bend_the_clock(
    tmp_path: Path, seconds: int, ppm: int
) -> None:
    """A BOARD comes at once, every sample 2 ms later; `verify` and the loader tell one drift."""
    stream = Stream(1, 0, 0, "fast", PERIOD, CHANNELS[:1])
    records: list[Record] = [time(START), board(1, 0), stream]
    for n in range(0, seconds * 100, 5):
        sent = round((n + 4) * PERIOD / (1 + ppm * 1e-6))
        records += [time(START + sent + 2_000), pack(stream, n, n * PERIOD, [(n,)] * 5)]
    ride = load(tmp_path, records)
    log = tmp_path / "log.sagline"
    (boot,) = survey(read_log(io.BytesIO(log.read_bytes()))).boots
    assert boot.clock is not None
    assert boot.clock.drift == pytest.approx(ppm, abs=1)
    told = ride.quality.clock_drift_ppm
    assert (told is None) == (seconds < 60)
    if told is not None:
        assert told == pytest.approx(boot.clock.drift, abs=1)
    true = np.arange(seconds * 100) * PERIOD / 1e6 / (1 + ppm * 1e-6)
    off = ride.streams["fast"].time - true
    assert off.max() - off.min() < 1e-4
    assert abs(off).max() < 0.0021  # what the BOARD was earlier by, at most


def load(tmp_path: Path, records: list[Record]) -> Ride:
    log = tmp_path / "log.sagline"
    log.write_bytes(log_bytes(records, START))
    return load_ride(log)


def error(ride: Ride) -> float:
    """Return the worst error of any sample's time in s."""
    stream = ride.streams["fast"]
    return float(np.abs(stream.time - stream.values["truth"]).max())


@pytest.mark.parametrize("seed", range(5))
def test_restart_with_drift_and_jitter_is_right_to_20_ms(tmp_path: Path, seed: int) -> None:
    """The aim: 100 ppm, 50 ms of jitter, power lost for 30 s, clock restarted."""
    records = drive(7, 0.5, 90, 1e-4, 2**32 - 40_000_000, seed)  # wraps after 40 s
    records += drive(8, 121.0, 45, 1e-4, 5_000, seed + 50, volts=5300)
    ride = load(tmp_path, records)
    assert error(ride) < 0.02
    assert [s.boot for s in ride.segments] == [7, 8]
    assert ride.segments[0].voltage_step is None
    assert ride.segments[1].voltage_step == pytest.approx(5.0)
    stream = ride.streams["fast"]
    assert np.flatnonzero(stream.gap).tolist() == [np.flatnonzero(stream.segment == 1)[0]]
    assert ride.quality.lost_samples == {"fast": 0}
    assert ride.quality.clock_drift_ppm == pytest.approx(100, abs=60)
    assert ride.quality.clock_error is not None and ride.quality.clock_error < 0.06


@pytest.mark.parametrize("seconds", [0.1, 1, 10, 50])
def test_short_captures_get_no_wild_rate(tmp_path: Path, seconds: float) -> None:
    ride = load(tmp_path, drive(1, 0.2, seconds, 1e-4, 0, 3))
    assert error(ride) < (0.06 if seconds < 1 else 0.02)  # two frames cannot tell 50 ms of delay
    assert ride.quality.clock_drift_ppm is None


def test_an_rc_oscillator_two_percent_off_is_followed(tmp_path: Path) -> None:
    assert error(load(tmp_path, drive(1, 0.0, 300, -0.015, 0, 1))) < 0.02


def test_a_wall_clock_that_steps_by_years_moves_no_sample(tmp_path: Path) -> None:
    records = drive(1, 0.0, 70, 1e-4, 0, 2)
    half = len(records) // 2
    years = 12 * 365 * 86_400 * 1_000_000
    before = [
        Time(at(r.at.monotonic, WALL - years), 0) if isinstance(r, Time) else r
        for r in records[:half]
    ]
    ride = load(tmp_path, before + records[half:])
    assert error(ride) < 0.02
    assert ride.started_wall == pytest.approx((WALL + START) / 1e6, abs=1e-3)


def test_frames_behind_the_first_after_a_time_record_do_not_count_as_early(tmp_path: Path) -> None:
    """A logger need not write a TIME for every read (protocol_docs/frame_format.md §6.3)."""
    records = drive(1, 0.0, 120, 1e-4, 0, 7)
    times = [n for n, record in enumerate(records) if isinstance(record, Time)]
    sparse = {n for n in times if n % 10 != 0}
    ride = load(tmp_path, [record for n, record in enumerate(records) if n not in sparse])
    assert error(ride) < 0.02


def test_a_silence_longer_than_half_the_clock_takes_the_wraps_from_the_host(
    tmp_path: Path,
) -> None:
    one = drive(1, 0.0, 65, 0.0, 0, 4)
    hours = 3 * 3600
    stream = next(r for r in one if isinstance(r, Stream))
    late = [
        time(START + hours * 1_000_000 + 5_000),
        pack(stream, 100 * hours, hours * 10**6, [(hours * 1000, 4800)]),
    ]
    assert error(load(tmp_path, one + late)) < 0.02


def test_records_behind_a_damaged_time_record_do_not_count_as_early(tmp_path: Path) -> None:
    records: list[Record | bytes] = list(drive(1, 0.0, 120, 1e-4, 0, 6))
    places = [n for n, r in enumerate(records) if isinstance(r, Time)][600:900]
    for place in places:
        records[place] = b"\x07damage\0"
    ride = load(tmp_path, records)  # type: ignore[arg-type]
    assert error(ride) < 0.02
    assert ride.quality.damaged_frames == 300


def test_the_line_lies_under_all_arrivals() -> None:
    """The closed form: delays of at least 0 above a known line give back that line."""
    random = np.random.default_rng(5)
    device = np.arange(0, 600_000_000, 50_000)
    delay = random.exponential(20_000, device.size)
    delay[::50] = 0.0
    line = fit(device, np.round(1e9 + device * (1 - 80e-6) + delay).astype(np.int64))
    assert line.rate == pytest.approx(-80e-6, abs=1e-8)
    assert line.start == pytest.approx(1e9, abs=2)


def test_events_marks_and_link_gaps_stand_on_the_same_axis(tmp_path: Path) -> None:
    records = drive(1, 0.0, 20, 0.0, 0, 8)
    half = len(records) // 2
    moment = START + 10_050_000
    between: list[Record] = [
        time(moment),
        Event(1, 0, 10_000_000, EventKind.FAULT, 12, 1, "too hot"),
        Event(1, 0, 10_000_000, EventKind.FAULT, 12, 1, "too hot"),  # the same frame twice
        Event(1, 3, 10_000_000, EventKind.FAULT_CLEARED, 12, 1, ""),
        Mark(at(moment), 1, "bakery"),
        Link(at(moment), LinkState.DOWN, "port gone"),
        Link(at(moment + 2_000_000), LinkState.UP, "clock carried on"),
        Link(at(moment + 3_000_000), LinkState.DOWN, "port gone"),
    ]
    ride = load(tmp_path, records[:half] + between + records[half:])
    assert [e.kind for e in ride.events] == [EventKind.FAULT, EventKind.FAULT_CLEARED]
    assert ride.events[0].time == pytest.approx(10.0, abs=0.02)
    assert ride.quality.lost_events == 2
    assert ride.marks[0].time == pytest.approx(10.05)
    assert [(g.start, g.end) for g in ride.link_gaps] == [
        (pytest.approx(10.05), pytest.approx(12.05)),
        (pytest.approx(13.05), None),
    ]
    assert ride.link_gaps[0].evidence == "port gone; clock carried on"


def test_a_log_without_host_records_starts_at_its_first_sample(tmp_path: Path) -> None:
    records = [r for r in drive(1, 0.0, 5, 0.0, 123_456, 9) if not isinstance(r, Time)]
    data = log_bytes(records, end=False)
    log = tmp_path / "cut.sagline"
    second = data.index(0, data.index(0) + 1) + 1  # behind LOG and CAPTURE
    log.write_bytes(data[second:])
    ride = load_ride(log)
    assert error(ride) < 0.001
    assert ride.started_wall is None
    assert any("host clock" in line for line in ride.warnings)


def test_a_descriptor_that_comes_sooner_than_samples_does_not_bend_the_clock(
    tmp_path: Path,
) -> None:
    """25 s of a clock that runs as the host's: samples 3 ms and more late, the one BOARD 1 ms.

    The bound: a line over 25 s that both ends shift by the jitter of the fastest of 500 deliveries
    (exponential, mean 1 ms: 2 µs each) bends by less than 1 ppm; 10 ppm leave room.
    """
    late = np.random.default_rng(1)
    stream = Stream(1, 0, 0, "fast", PERIOD, CHANNELS)
    records: list[Record] = [time(START + 1_000), board(1, 0), stream]
    for n in range(500):
        arrived = START + n * 50_000 + 40_000 + 3_000 + round(late.exponential(1_000))
        records += [time(arrived), pack(stream, 5 * n, n * 50_000, [(0, 4800)] * 5)]
    path = tmp_path / "log.sagline"
    path.write_bytes(log_bytes(records))
    times = load_ride(path).streams["fast"].time
    assert times[-1] - times[0] == pytest.approx(2499 * 0.01, rel=10e-6)
