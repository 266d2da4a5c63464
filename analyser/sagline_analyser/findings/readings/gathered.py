"""What nearly every question asks of a ride and its board file, gathered once for all of them."""

from dataclasses import dataclass
from functools import cached_property

from sagline_logger.format import BoardFile, Limit, derive_limits, weakest
from sagline_logger.format.board_limits import Direction

from ...load.ride import Ride
from .electric import Quantity, battery_current, pack_voltage
from .packs import PackSpan, pack_spans
from .speed import vehicle_speed
from .unknown import NotKnown


@dataclass(frozen=True)
class Gathered:
    """A ride, its board file, and what is read from them: each found when first asked for.

    Nothing large is kept here but what the ride keeps itself: its own columns, and the few that
    stand in for a channel it lacks (:mod:`.once`).
    """

    ride: Ride
    board: BoardFile | None = None

    @cached_property
    def current(self) -> Quantity | None:
        """The pack's current in A (:func:`~.electric.battery_current`)."""
        return battery_current(self.ride)

    @cached_property
    def voltage(self) -> Quantity | None:
        """The pack's voltage in V (:func:`~.electric.pack_voltage`)."""
        return pack_voltage(self.ride)

    @cached_property
    def speed(self) -> Quantity | NotKnown:
        """The speed in m/s (:func:`~.speed.vehicle_speed`)."""
        return vehicle_speed(self.ride, self.board)

    @cached_property
    def limits(self) -> tuple[Limit, ...]:
        """Every limit that follows from the board file; none without one."""
        return derive_limits(self.board) if self.board is not None else ()

    @cached_property
    def spans(self) -> tuple[PackSpan, ...]:
        """Which pack was in the vehicle when (:func:`~.packs.pack_spans`)."""
        return pack_spans(self.ride)

    def nearest(self, channel: str, index: int = 0) -> tuple[Limit, ...]:
        """Return the nearest limits on a channel (:func:`sagline_logger.format.weakest`)."""
        return weakest(self.limits, channel, index)

    def rated(self, channel: str, way: Direction = "above", index: int = 0) -> Limit | None:
        """Return the nearest limit for lasting use that is crossed ``way`` it; None without one."""
        found = (x for x in self.nearest(channel, index) if x.kind == "limit")
        return next((x for x in found if x.direction == way), None)
