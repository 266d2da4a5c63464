"""The pulse-power data set of the PyPI package ``ampworks``, sent as one cell through frames."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from sagline_analyser import load_ride
from sagline_analyser.load import Ride
from sagline_logger.format import Channel, SampleType, Stream

from . import logs
from .late import late

ampworks = late("ampworks")

SCALE = 1000.0
"""The data set's cell is of some mAh; a thousand in parallel make one of some Ah."""

CHANNELS = (
    Channel("battery_current", "A", SampleType.I32, exponent=-4),
    Channel("cell_voltage", "V", SampleType.I32, exponent=-5, index=1),
)


@cache
def data_set() -> Any:
    """Return the data frame ``hppc_discharge``: Seconds, Amps (charging positive), Volts."""
    return ampworks.datasets.load_datasets("hppc/hppc_discharge")


@dataclass(frozen=True)
class Pulse:
    """One pulse as ampworks extracts it: seconds, and Ω at once and after 10 s, per SCALE."""

    start: float
    end: float
    step: float
    ten: float


@cache
def pulses() -> tuple[Pulse, ...]:
    """Return every pulse from ampworks' own extraction."""
    # The charge pulses last 10.0 s to the last sample; 9.99 s lies inside for all.
    table = ampworks.hppc.extract_impedance(data_set(), tmax=31, sample_times=[9.99])
    return tuple(
        Pulse(
            row.Hours_0 * 3600,
            row.Hours_0 * 3600 + row.StepTime_N,
            row.Ohms_1 / SCALE,
            row.Ohms_2 / SCALE,
        )
        for row in table.itertuples()
    )


def pulse_ride(path: Path) -> Ride:
    """Write the data set to ``path`` as a board would have sent it, and load it."""
    stream = Stream(1, 0, 0, "cell", 0, CHANNELS)
    records = [logs.board(1), stream]
    for number, row in enumerate(data_set().itertuples()):
        clock = round(row.Seconds * 1e6)
        values = (CHANNELS[0].raw(-row.Amps * SCALE), CHANNELS[1].raw(row.Volts))
        records.append(logs.pack(stream, number, clock, [values]))
    path.write_bytes(logs.log_bytes(records))
    return load_ride(path)
