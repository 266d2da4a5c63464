"""A capture as columns: what every finding and page starts from."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from sagline_logger.format import Channel, EventKind


@dataclass(frozen=True)
class StreamColumns:
    """All samples of one stream of one ride, in time order.

    ``time`` is seconds since the start of the capture on the device's clock (aligned with the
    host's), shape (n,).  ``raw`` holds the packed integers as sent, ``missing`` codes included,
    and ``values`` the scaled float64 columns with NaN where missing, each of shape (n,) and keyed
    by column name (``cell_voltage_7``).  ``segment`` numbers the stretch between device starts,
    from 0, and ``gap`` is True where samples are missing just before this one (lost frames, link
    loss or a restart), so that nothing is drawn or summed across.
    """

    name: str
    period: float
    """Nominal time between samples in s; 0 when irregular."""
    channels: dict[str, Channel]
    time: npt.NDArray[np.float64]
    raw: dict[str, npt.NDArray[np.generic]]
    values: dict[str, npt.NDArray[np.float64]]
    segment: npt.NDArray[np.int32]
    gap: npt.NDArray[np.bool_]

    def frame(self) -> pd.DataFrame:
        """Return a DataFrame: index ``time`` in s, one column a channel, in its unit."""
        return pd.DataFrame(self.values, index=pd.Index(self.time, name="time"))


@dataclass(frozen=True)
class RideEvent:
    """A fault, a cleared fault or a note, at ``time`` s from the start of the capture."""

    time: float
    kind: EventKind | int
    number: int
    index: int
    text: str


@dataclass(frozen=True)
class RideMark:
    """A numbered mark the rider dropped."""

    time: float
    number: int
    text: str


@dataclass(frozen=True)
class LinkGap:
    """The link was down from ``start`` to ``end`` (s); ``end`` is None if it never came back."""

    start: float
    end: float | None
    evidence: str


@dataclass(frozen=True)
class Segment:
    """One stretch between device starts; ``voltage_step`` is V across the gap before it."""

    number: int
    boot: int
    start: float
    end: float
    voltage_step: float | None = None


@dataclass(frozen=True)
class Quality:
    """What was lost or damaged, and how well the clocks agree."""

    frames: int
    """Sound device frames."""
    lost_samples: dict[str, int]
    """Exact count by stream name."""
    lost_events: int
    damaged_frames: int
    """Damaged stretches of the log file itself."""
    foreign_bytes: int
    """Received bytes that were no frame."""
    undescribed_samples: int
    """Samples whose stream was never described."""
    dropped_frames: int
    clock_drift_ppm: float | None
    """Device clock against the host's, parts per million."""
    clock_error: float | None
    """Residual of the clock fit, s (95th percentile of delay above the fastest delivery)."""
    ended: bool
    """Whether the (last) capture was stopped on purpose (END record present)."""
    misfit_samples: int = 0
    """Samples that do not fit their stream's description."""
    unheard_samples: int = 0
    """Samples sent after a restart within a capture, before the first that was heard."""
    repeated_records: int = 0
    went_back: int = 0
    """Records whose number went back while the clock ran on."""
    same_number_restarts: int = 0
    """Starts told by numbers and clock alone, because the boot number did not change."""
    captures: int = 1
    """Captures joined in the file."""
    strange_frames: int = 0
    """Frames in a version of the format that is not known."""


@dataclass(frozen=True)
class Ride:
    """One capture."""

    path: str
    board_name: str
    firmware: str
    streams: dict[str, StreamColumns]
    events: tuple[RideEvent, ...]
    marks: tuple[RideMark, ...]
    link_gaps: tuple[LinkGap, ...]
    segments: tuple[Segment, ...]
    quality: Quality
    duration: float
    started_wall: float | None
    """Wall-clock start, s since 1970 UTC; corrected if the host set its clock during the ride."""
    settings: dict[str, str]
    note: str
    source: str
    board_file: str | None
    """Text of the attached board file (TOML), if one was given."""
    warnings: tuple[str, ...] = field(default=())

    def find(self, key: str) -> StreamColumns | None:
        """Return the stream that has column ``key``, or None."""
        return next((s for s in self.streams.values() if key in s.channels), None)

    def index(self, key: str) -> int:
        """Return the index of column ``key``'s channel; 0 where there is none."""
        stream = self.find(key)
        return stream.channels[key].index if stream else 0

    def keys(self, name: str) -> list[str]:
        """Return the column names of a channel name, by index (``["cell_voltage_1", …]``).

        Of a standard name only the standard channels, so those in its unit.
        """
        found = [
            (channel.index, key)
            for stream in self.streams.values()
            for key, channel in stream.channels.items()
            if channel.name == name and not channel.nearly
        ]
        return [key for _, key in sorted(found)]
