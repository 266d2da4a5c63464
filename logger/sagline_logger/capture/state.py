"""The state of a running capture, for whoever shows it."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from ..format import Channel

Stage = Literal["idle", "waiting", "open", "down", "rejoin", "retry"]
"""What a capture is at: "idle", none runs; "waiting" for the device, there is no file yet; or the
link's phase: "open", the device is heard; "down", not heard on a link that is there; "rejoin",
heard again just now; "retry", there is no link and it is tried again."""


@dataclass(frozen=True)
class CaptureState:
    """One look at a capture; taking it never holds the capture up."""

    elapsed: float
    """Seconds since the capture began."""
    path: Path
    board_name: str
    """Empty until the board has said it."""
    link_up: bool
    link_since: float
    """Seconds since the link came up or went down."""
    received: int
    """Bytes from the device."""
    rate: float
    """Bytes per second from the device over about the last second."""
    frames: int
    """Sound device frames."""
    foreign: int
    """Received bytes that were no device frame."""
    lost: int
    """Samples missing by sequence number, within boots."""
    reconnects: int
    restarts: int
    dropped_frames: int
    """Frames that the disk did not take."""
    dropped_bytes: int
    size: int
    """Bytes in the file."""
    free: int
    """Bytes free on the file system."""
    marks: int
    values: Mapping[str, float]
    """Latest value of every described channel by key, in its unit; NaN when missing."""
    channels: Mapping[str, Channel]
    """Every described channel by its key."""
    warnings: tuple[str, ...]
    """What is wrong at present, one line each."""
    stage: Stage = "open"
    unread: int = 0
    """Lines (or ``unread_of``) that could not be read by their map; they are kept."""
    unread_of: str = "lines"
    repeated: int = 0
    """Records that came twice; they count once."""
