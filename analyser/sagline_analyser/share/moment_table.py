"""What every channel read at the moment and shortly before it."""

from dataclasses import dataclass

import numpy as np

from ..findings.readings.summary import channel_words
from ..load.ride import Ride, StreamColumns
from ..page.units import display_unit

INSTANTS = (-5.0, -1.0, -0.1, 0.0, 1.0)
"""s from the moment."""
_STALE = 1.0
"""s after which a reading says nothing about an instant, if no three periods."""


@dataclass(frozen=True)
class MomentRow:
    """One channel's readings (NaN: none) at each of :data:`INSTANTS`, in ``unit`` as shown."""

    key: str
    label: str
    unit: str
    values: tuple[float, ...]

    @property
    def title(self) -> str:
        """The channel with its unit."""
        return f"{self.label} ({self.unit})" if self.unit else self.label

    def numbers(self) -> list[str]:
        """Return the readings without their unit, a dash for none."""
        size = np.nanmax(np.abs([*self.values, 0.0]))
        digits = (
            3 if self.unit == "V" and size < 10 else 0 if size >= 1000 or self.unit == "%" else 1
        )
        return [
            "—" if value != value else f"{value:.{digits}f}".replace("-", "−")
            for value in self.values
        ]


def moment_rows(ride: Ride, at: float) -> tuple[list[MomentRow], list[MomentRow]]:
    """Return the rows of all channels but the cells, lowest and highest cell among them, and those
    of each cell."""
    rows: list[MomentRow] = []
    cells: list[MomentRow] = []
    for stream in ride.streams.values():
        if not stream.time.size:
            continue
        places = [_place(stream, at + instant) for instant in INSTANTS]
        for key, channel in stream.channels.items():
            unit, factor = display_unit(channel)
            values = tuple(
                float("nan") if n is None else float(stream.values[key][n]) * factor for n in places
            )
            row = MomentRow(key, channel_words(channel), "" if unit == "1" else unit, values)
            (cells if channel.name == "cell_voltage" else rows).append(row)
    if cells:
        table = np.array([row.values for row in cells])
        for name, pick in (("lowest cell", np.fmin), ("highest cell", np.fmax)):
            found = tuple(pick.reduce(table).tolist())
            rows.append(MomentRow(name.replace(" ", "_"), name, "V", found))
    return rows, cells


def _place(stream: StreamColumns, time: float) -> int | None:
    n = int(np.searchsorted(stream.time, time + 1e-6, "right")) - 1
    stale = max(_STALE, 3 * stream.period)
    return n if n >= 0 and time - stream.time[n] <= stale else None
