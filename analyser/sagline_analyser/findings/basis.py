"""What every answer rests on: the ride without the sensors that cannot be right.

Worked out once, before any answer.  A column that is doubted all along has no reading left in the
trusted ride, one that is doubted for a while has none in that while; nothing is corrected, for a
reading whose fault is known is still not a measurement.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sagline_logger.format import BoardFile

from ..load.opening import board_for, open_ride
from ..load.ride import Ride, StreamColumns
from .readings.gathered import Gathered
from .readings.set_aside import Numbers, SetAside
from .readings.summary import Finding, Summary, figures_of, words
from .sensors import SensorDoubt, judge_sensors
from .sensors.mismatches import board_mismatches, fitting_board

FEW = 3
"""Columns doubted for one reason up to which each is told by itself (our choice)."""


@dataclass(frozen=True, kw_only=True)
class Basis(Gathered):
    """A ride, examined, and what every question asks of it.

    ``raw`` is the ride as it was logged, ``ride`` the same with NaN in ``values`` for all that
    ``sensors`` set aside (its raw samples stay as they were sent).  ``mismatches`` are sentences
    about where the board file is not this ride's, and ``board`` is the file without the pack that
    does not fit: no answer and no limit rests on another pack's.  ``misfit`` tells that it was
    taken out.
    """

    raw: Ride
    sensors: tuple[SensorDoubt, ...] = ()
    mismatches: tuple[str, ...] = ()
    misfit: bool = False

    def words(self, doubt: SensorDoubt) -> str:
        """Return what a doubt is about in plain words: ``motor temperature left``."""
        if doubt.key in self.raw.streams and self.raw.find(doubt.key) is None:
            whole = doubt.inside(self.raw.streams[doubt.key].time).all()
            return f"{'' if whole else 'some samples of '}the stream {doubt.key}"
        return words(self.raw, doubt.key)

    def told(self, doubts: Sequence[SensorDoubt]) -> tuple[tuple[str, SensorDoubt], ...]:
        """Return the doubts with what they are about; of many columns that are doubted for one
        reason, as all cells are, only the first doubt, of ``cell 1 to cell 10``."""
        groups: dict[tuple[str, str, bool], list[SensorDoubt]] = {}
        for doubt in doubts:
            groups.setdefault((doubt.doubt, doubt.evidence, doubt.set_aside), []).append(doubt)
        found = []
        for same in groups.values():
            if len(same) > FEW:
                found.append((f"{self.words(same[0])} to {self.words(same[-1])}", same[0]))
            else:
                found += [(self.words(doubt), doubt) for doubt in same]
        return tuple(found)

    def lines(self) -> tuple[str, ...]:
        """Return one line for each doubt: what, which trouble, and the evidence."""
        return tuple(
            f"{what}: {doubt.doubt}. {doubt.evidence}" for what, doubt in self.told(self.sensors)
        )

    def notices(self) -> tuple[str, ...]:
        """Return what is wrong with the board file and the sensors, to be told before all that
        could rest on them."""
        return (*self.mismatches, *(f"data quality: {line}" for line in self.lines()))

    def lost(self, *names: str) -> tuple[SensorDoubt, ...]:
        """Return the doubts about any column of these channel names."""
        found = []
        for doubt in self.sensors:
            stream = self.raw.find(doubt.key)
            if stream is not None:
                about = {stream.channels[doubt.key].name}
            else:
                whole = self.raw.streams.get(doubt.key)
                about = {c.name for c in whole.channels.values()} if whole else set()
            if about & set(names):
                found.append(doubt)
        return tuple(found)


def examine(log: Path, board: Path | None = None) -> Basis:
    """Load a log and examine it, with the board file ``board`` or the one inside the log.

    Raises:
        SaglineError: it cannot be loaded, or holds no samples that a description explains.
    """
    ride = open_ride(log)
    return open_basis(ride, board_for(ride, board))


def open_basis(ride: Ride, board: BoardFile | None = None) -> Basis:
    """Examine a ride's sensors, and the board file against it."""
    sensors = judge_sensors(ride, board)
    fitting = fitting_board(ride, board, sensors)
    trusted = without(ride, sensors)
    return Basis(
        trusted,
        fitting,
        raw=ride,
        sensors=sensors,
        mismatches=board_mismatches(trusted, board, sensors),
        misfit=fitting is not board,
    )


def without(ride: Ride, sensors: tuple[SensorDoubt, ...], earlier: float = 0.0) -> Ride:
    """Return the ride without what the doubts set aside; ``earlier`` is taken off their times."""
    aside = [doubt for doubt in sensors if doubt.set_aside]
    if not aside:
        return ride
    streams = {name: _without(stream, aside, earlier) for name, stream in ride.streams.items()}
    return replace(ride, streams=streams)


def _without(stream: StreamColumns, aside: list[SensorDoubt], earlier: float) -> StreamColumns:
    time = stream.time + earlier if earlier else stream.time
    gone: dict[str, Numbers] = {}
    for doubt in aside:
        keys = list(stream.values) if doubt.key == stream.name else [doubt.key]
        keys = [key for key in keys if key in stream.values]
        if not keys:
            continue
        own = np.flatnonzero(doubt.inside(time))
        for key in keys:
            gone[key] = np.union1d(gone[key], own) if key in gone else own
    return replace(stream, values=SetAside(stream.values, gone)) if gone else stream


_NEEDS: dict[str, tuple[str, ...]] = {
    "distance": ("speed", "motor_speed", "motor_electrical_speed"),
    "moving_time": ("speed", "motor_speed", "motor_electrical_speed"),
    "top_speed": ("speed", "motor_speed", "motor_electrical_speed"),
    "charge": ("battery_current", "controller_battery_current"),
    "energy": ("battery_current", "controller_battery_current", "pack_voltage", "cell_voltage"),
    "peak_battery_current": ("battery_current", "controller_battery_current"),
    "peak_regeneration": ("battery_current", "controller_battery_current"),
    "peak_motor_current": ("motor_current",),
    "peak_duty_cycle": ("duty_cycle",),
    "lowest_pack_voltage": ("pack_voltage", "cell_voltage"),
    "lowest_cell": ("cell_voltage",),
    "widest_spread": ("cell_voltage",),
    "hottest_part": ("motor_temperature", "controller_temperature", "battery_temperature"),
}
"""The channels behind each figure, by how its key begins."""


def figures(basis: Basis) -> Summary:
    """Return the figures of the trusted ride, each with what it lost with a doubted sensor."""
    summary = figures_of(basis)
    if not basis.sensors:
        return summary
    return replace(
        summary, findings=tuple(_with_loss(finding, basis) for finding in summary.findings)
    )


def _with_loss(finding: Finding, basis: Basis) -> Finding:
    begun = max((k for k in _NEEDS if finding.key.startswith(k)), key=len, default="")
    names = _NEEDS.get(begun, ())
    if begun == "energy" and "per_distance" in finding.key:
        names = (*names, *_NEEDS["distance"])
    lost = basis.lost(*names)
    if not lost:
        return finding
    told = "; ".join(
        f"{basis.words(d)} {'set aside' if d.set_aside else 'with gaps'}: {d.doubt}" for d in lost
    )
    if finding.value is None:
        return replace(finding, how=f"{finding.how} ({told})")
    return replace(finding, note=", ".join(filter(None, (finding.note, told))))
