"""A capture as columns: what every finding and page starts from."""

import difflib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from sagline_logger.format import Channel, EventKind, SaglineError

from .notebook import ride_html, ride_text, stream_html, stream_text

if TYPE_CHECKING:  # half of what a start costs, and only a notebook asks for tables
    import pandas as pd


@dataclass(frozen=True, repr=False)
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
    values: Mapping[str, npt.NDArray[np.float64]]
    segment: npt.NDArray[np.int32]
    gap: npt.NDArray[np.bool_]
    started_wall: float | None = None
    """Wall-clock start of the capture, s since 1970 UTC, as the ride has it; None unless known."""

    def frame(self, index: Literal["seconds", "time"] = "seconds") -> "pd.DataFrame":
        """Return a DataFrame: one column a channel, in its unit, which ``attrs["units"]`` tells.

        The index ``time`` is in s from the start of the capture, or for "time" a pandas time
        index: in UTC where the capture's start is known, else the time since it began.

        Raises:
            SaglineError: another index is asked for.
        """
        import pandas as pd

        found = pd.DataFrame(dict(self.values), index=self._index(index))
        found.attrs["units"] = {key: channel.unit for key, channel in self.channels.items()}
        return found

    def _index(self, kind: str) -> "pd.Index":
        import pandas as pd

        if kind == "seconds":
            return pd.Index(self.time, name="time")
        if kind != "time":
            raise SaglineError(f"no index {kind!r}", remedy="choose seconds or time")
        since = pd.to_timedelta(np.rint(self.time * 1e6).astype(np.int64), unit="us")
        if self.started_wall is None:
            return pd.TimedeltaIndex(since, name="time")
        start = pd.Timestamp(round(self.started_wall * 1e6), unit="us", tz="UTC")
        return pd.DatetimeIndex(start + since, name="time")

    def __repr__(self) -> str:
        return stream_text(self)

    def _repr_html_(self) -> str:
        return str(stream_html(self))


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
class RideSegment:
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


@dataclass(frozen=True, repr=False)
class Ride:
    """One capture.  ``ride["battery_current"]`` is one column; iterating gives their names."""

    path: str
    board_name: str
    firmware: str
    streams: dict[str, StreamColumns]
    events: tuple[RideEvent, ...]
    marks: tuple[RideMark, ...]
    link_gaps: tuple[LinkGap, ...]
    segments: tuple[RideSegment, ...]
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

    def __getitem__(self, key: str) -> "pd.Series":
        """Return column ``key`` as a pandas Series over s; ``attrs["unit"]`` tells its unit.

        Raises:
            SaglineError: there is no such column; the nearest names are told.
        """
        import pandas as pd

        stream = self.find(key)
        if stream is None:
            raise SaglineError(f"no channel {key!r}", where=self.path, remedy=self._meant(str(key)))
        index = pd.Index(stream.time, name="time")
        found = pd.Series(stream.values[key], index=index, name=key)
        found.attrs["unit"] = stream.channels[key].unit
        return found

    def _meant(self, key: str) -> str:
        own = self.keys(key)
        if own:
            return f"choose one of {', '.join(own[:4])}{', …' if len(own) > 4 else ''}"
        near = difflib.get_close_matches(key, list(self), 3)
        return f"did you mean {' or '.join(near)}?" if near else f"it has: {', '.join(self)}"

    def __iter__(self) -> Iterator[str]:
        return iter(dict.fromkeys(key for s in self.streams.values() for key in s.channels))

    def __contains__(self, key: object) -> bool:
        return any(key in stream.channels for stream in self.streams.values())

    def __repr__(self) -> str:
        return ride_text(self)

    def _repr_html_(self) -> str:
        return str(ride_html(self))

    def find(self, key: str) -> StreamColumns | None:
        """Return the stream that has column ``key``, or None."""
        return next((s for s in self.streams.values() if key in s.channels), None)

    def index(self, key: str) -> int:
        """Return the index of column ``key``'s channel; 0 where there is none."""
        stream = self.find(key)
        return stream.channels[key].index if stream else 0

    def key(self, name: str, index: int) -> str | None:
        """Return the column of the standard channel ``name`` that has this index, or None."""
        return next((key for key in self.keys(name) if self.index(key) == index), None)

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
