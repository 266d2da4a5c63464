"""What a ride consists of: legs, pack swaps, or a given speed trace."""

import itertools
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from ..format import SaglineError
from .route import Route


@dataclass(frozen=True, slots=True)
class Leg:
    """One stretch ridden with one intention.

    The rider aims at ``target_speed`` (m/s; 0 means stop and stand), giving at most ``throttle``
    and ``brake`` (0 to 1).  The leg ends at ``until_distance`` (m along the route) or after
    ``seconds``, whichever is first; with ``until_stopped`` it ends at a standstill too.
    """

    name: str
    target_speed: float
    throttle: float = 1.0
    brake: float = 0.6
    until_distance: float | None = None
    seconds: float = 180.0
    until_stopped: bool = False


@dataclass(frozen=True, slots=True)
class PackSwap:
    """Power is lost for ``seconds``; then a pack at state of ``charge`` and a new start.

    The swapped-in pack has the weak group too only if ``weak``.
    """

    seconds: float
    charge: float
    weak: bool = False


@dataclass(frozen=True, slots=True)
class SpeedTrace:
    """A speed imposed on the vehicle: (s, m/s) points at rising times from 0, straight between."""

    points: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        times = [time for time, _ in self.points]
        rising = all(later > earlier for earlier, later in itertools.pairwise(times))
        if len(times) < 2 or times[0] != 0.0 or not rising:
            raise SaglineError("a speed trace needs two points or more, at rising times from 0 s")
        if any(not speed >= 0.0 for _, speed in self.points):
            raise SaglineError("a speed trace cannot go backwards")

    @property
    def duration(self) -> float:
        """Time of the last point in s."""
        return self.points[-1][0]

    def speed(self, time: float) -> float:
        """Return the speed in m/s at ``time`` s; the last speed holds after the end."""
        at = bisect_right(self.points, time, key=_first) - 1
        start, low = self.points[at]
        if time == start or at == len(self.points) - 1:
            return low
        stop, high = self.points[at + 1]
        return low + (high - low) * (time - start) / (stop - start)


@dataclass(frozen=True, slots=True)
class Dropout:
    """A sensor's plug comes loose: channel ``name``, ``index`` reads missing from ``start`` to
    ``stop``, s of the ride."""

    name: str
    index: int
    start: float
    stop: float


@dataclass(frozen=True, slots=True)
class Scenario:
    """A ride: where, how warm (°C), and what happens in order.

    ``charge`` is the pack's state of charge at the start, the board's own if None.  With ``trace``
    the speed is imposed and there are no legs.  ``between`` is what happens before the ride starts
    over, at the start of the route, when more time is asked for than it has.
    """

    name: str
    legs: tuple[Leg | PackSwap, ...] = ()
    route: Route = field(default_factory=Route)
    air: float = 20.0
    charge: float | None = None
    trace: SpeedTrace | None = None
    between: PackSwap | None = None
    dropouts: tuple[Dropout, ...] = ()

    def __post_init__(self) -> None:
        if (self.trace is None) == (not self.legs):
            raise SaglineError("a ride needs legs or a speed trace, not both", where=self.name)


def trace_scenario(points: Iterable[tuple[float, float]], name: str = "trace") -> Scenario:
    """Return a flat ride that follows (s, m/s) ``points`` exactly."""
    return Scenario(name, trace=SpeedTrace(tuple(points)))


def read_trace(path: Path) -> SpeedTrace:
    """Read a speed trace: one "seconds,metres per second" pair a line; # begins a comment.

    Raises:
        SaglineError: the file cannot be read or is not such a trace.
    """
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as problem:
        reason = problem.strerror if isinstance(problem, OSError) else "not a text file"
        raise SaglineError(f"cannot read the speed trace ({reason})", where=str(path)) from None
    points = []
    for number, line in enumerate(lines, 1):
        words = line.partition("#")[0].replace(",", " ").split()
        if not words:
            continue
        try:
            time, speed = (float(word) for word in words)
        except ValueError:
            raise SaglineError(
                f"line {number} is not a time and a speed",
                where=str(path),
                remedy='write "seconds,metres per second"',
            ) from None
        points.append((time, speed))
    try:
        return SpeedTrace(tuple(points))
    except SaglineError as problem:
        raise SaglineError(problem.what, where=str(path)) from None


def _first(point: tuple[float, float]) -> float:
    return point[0]
