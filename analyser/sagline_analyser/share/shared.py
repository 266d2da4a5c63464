"""From a ride to all that a shared page shows, by way of the redacted log alone."""

import tempfile
import zlib
from dataclasses import dataclass, replace
from pathlib import Path

from sagline_logger.format import BoardFile, SaglineError, read_board_file

from ..findings.basis import Basis, open_basis, without
from ..findings.faults.order import MEMORY as NORMAL
from ..findings.faults.order import Around, FaultStory, Moment, story_of
from ..findings.readings.gathered import Gathered
from ..load import load_ride
from ..load.ride import Ride
from .keep import Account
from .window_log import Window, window_log

NAME = "shared window"


@dataclass(frozen=True)
class Shared:
    """The redacted window: its log, the same read back, and the story of its moment.

    ``trusted`` is that ride without what the whole ride says against its sensors.  ``at`` is the
    moment in s from the start of ``ride``, and the story's times are from there too.
    """

    log: bytes
    ride: Ride
    trusted: Ride
    board: BoardFile | None
    at: float
    moment: Moment
    story: FaultStory
    account: Account
    doubts: tuple[str, ...] = ()
    """One line for each sensor that cannot be right in the window."""

    @property
    def packed(self) -> bytes:
        """The log as gzip, without name and date."""
        squeeze = zlib.compressobj(9, zlib.DEFLATED, 31)
        return squeeze.compress(self.log) + squeeze.flush()


def shared(
    ride: Ride,
    moment: Moment,
    window: Window,
    keep: frozenset[str],
    board: str | None,
    basis: Basis | None = None,
) -> Shared:
    """Redact ``window`` of ``ride`` and read it back.

    What is normal for the ride shows only over minutes, so the story is told from a longer
    stretch, redacted in the same way; of that only the story's words and figures are kept.

    Raises:
        SaglineError: no samples that may be shared lie in the window.
    """
    basis = open_basis(ride) if basis is None else basis
    account = Account(keep)
    log = window_log(ride, window, account, board)
    own = _read_back(log, keep, ride.path)
    if not any(stream.time.size for stream in own.streams.values()):
        raise _nothing(ride.path)
    longer = replace(window, start=max(0.0, window.start - NORMAL))
    past = _read_back(window_log(ride, longer, Account(keep), board), keep, ride.path)
    parts = _board(own)
    trusted = without(own, basis.sensors, window.start)
    past = without(past, basis.sensors, longer.start)
    at = window.at - window.start
    # The moment's words may quote the board's; the redacted ride tells them anew.
    told = _moment(moment, window.at - longer.start, past)
    sensors = tuple(doubt.earlier(longer.start) for doubt in basis.sensors)
    around = Around(at, window.end - window.at, sensors=sensors)
    story = story_of(Gathered(past, _board(past)), told, around)
    moved = _moved(story, window.start - longer.start)
    return Shared(log, own, trusted, parts, at, told, moved, account, _doubts(basis, own, window))


def _doubts(basis: Basis, own: Ride, window: Window) -> tuple[str, ...]:
    """Return the doubts that touch the window, in our own words: a label may be the builder's."""
    found = []
    for doubt in basis.sensors:
        touched = any(a <= window.end and b >= window.start for a, b in doubt.spans)
        if touched and own.find(doubt.key) is not None:
            found.append(
                f"{doubt.key}: {doubt.doubt}, {'set aside' if doubt.set_aside else 'kept'}"
            )
    return tuple(found)


def _nothing(where: str) -> SaglineError:
    return SaglineError(
        "no samples of a standard channel near that moment",
        where=where,
        remedy="choose another with --at, or see --keep",
    )


def _read_back(log: bytes, keep: frozenset[str], where: str) -> Ride:
    """Return the ride of a redacted log, of which the one at ``where`` was the original."""
    with tempfile.TemporaryDirectory(prefix="sagline-share-") as folder:
        path = Path(folder) / "window.sagline"
        path.write_bytes(log)
        try:
            ride = load_ride(path)
        except SaglineError:  # of a log of our own: it holds nothing from a board
            raise _nothing(where) from None
    return replace(
        ride,
        path=NAME,
        started_wall=ride.started_wall if "date" in keep else None,
        warnings=tuple(text.replace(str(path), NAME) for text in ride.warnings),
    )


def _board(ride: Ride) -> BoardFile | None:
    if ride.board_file is None:
        return None
    try:
        return read_board_file(ride.board_file, "board file inside the shared window")
    except SaglineError:
        return None  # window_log rebuilt it, or it was kept as written and is shown as text


def _moment(moment: Moment, time: float, ride: Ride) -> Moment:
    """Return ``moment`` in words taken from the redacted ride."""
    from ..findings.faults.order import fault_moments

    near = [m for m in fault_moments(ride) if m.kind == moment.kind and abs(m.time - time) < 0.05]
    if near:
        return replace(near[0], time=time)
    words = moment.text if moment.kind == "chosen" else f"a {moment.kind}"
    return Moment(time, moment.kind, words)


def _moved(story: FaultStory, by: float) -> FaultStory:
    """Return the story with its times counted from ``by`` s later."""
    return replace(
        story,
        moment=replace(story.moment, time=story.moment.time - by),
        window=(story.window[0] - by, story.window[1] - by),
        crossed=tuple(replace(step, time=step.time - by) for step in story.crossed),
    )
