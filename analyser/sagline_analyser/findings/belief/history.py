"""What earlier rides of a named pack showed of its cells: charge drawn between rests."""

from dataclasses import dataclass


@dataclass(frozen=True)
class RestPoint:
    """The cells of a pack at one rest, which ended at ``time`` s of its ride.

    ``charge`` is the Ah drawn, net, since the first rest of that ride (0 for the first itself),
    with the half-width ``charge_error`` of its 90 % interval.  ``voltages`` are the V of the cells
    1, 2, …, each within ``error`` V (90 %) of what it would show after long rest.  ``rested`` is
    for how many s no load flowed before it as far as the ride shows; ``temperature`` the pack's
    in °C, None where it was not measured.
    """

    time: float
    charge: float
    charge_error: float
    voltages: tuple[float, ...]
    error: float
    rested: float
    temperature: float | None = None


@dataclass(frozen=True)
class RideRests:
    """The rests of one earlier ride, in order; ``started`` in s since 1970, None if not known."""

    ride: str
    started: float | None
    points: tuple[RestPoint, ...]


@dataclass(frozen=True)
class PackHistory:
    """The earlier rides of the pack called ``pack``, oldest first."""

    pack: str
    rides: tuple[RideRests, ...]

    def __len__(self) -> int:
        """Return how many earlier rides it rests on."""
        return len(self.rides)
