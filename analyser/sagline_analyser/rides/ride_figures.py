"""One ride in figures: what the list and the trends need of it, as plain data."""

import json
import math
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sagline_logger import __version__
from sagline_logger.format import EventKind, SaglineError, read_board_file
from sagline_logger.format.counting import several

from ..findings.belief.history import RestPoint

if TYPE_CHECKING:
    from ..findings.cells.fitted import PackFit
    from ..load import Ride

FORM = f"{__version__}/5"
"""What figures were made by; those of another program version or form are made anew."""

# numpy and pandas are imported by the one function that needs them: a list from the index is quick.


@dataclass(frozen=True)
class CellFigures:
    """One cell group: ``resistance`` in Ω 10 s after a step of load and ``rest`` in V without load
    at the end, each with the half-width of its 90 % interval."""

    number: int
    resistance: float
    resistance_error: float
    rest: float
    rest_error: float


@dataclass(frozen=True)
class PackFigures:
    """One pack of a ride, in use from ``start`` to ``end`` s; ``name`` "" where it is not known.

    ``balance`` is how far the cells lie apart at rest at the end, in V; ``charge`` the Ah drawn,
    net, None where too little of its time is known; ``rests`` what the ride showed of its cells at
    rest.
    """

    name: str = ""
    start: float = 0.0
    end: float = 0.0
    cells: tuple[CellFigures, ...] = ()
    balance: float | None = None
    charge: float | None = None
    rests: tuple[RestPoint, ...] = ()

    @classmethod
    def from_told(cls, told: dict[str, Any]) -> "PackFigures":
        """Return a pack from what :meth:`RideFigures.as_text` wrote of it."""
        cells = tuple(CellFigures(**cell) for cell in told.pop("cells"))
        rests = tuple(
            RestPoint(**{**rest, "voltages": tuple(rest["voltages"])}) for rest in told.pop("rests")
        )
        return cls(**told, cells=cells, rests=rests)


@dataclass(frozen=True)
class RideFigures:
    """The figures of one ride in SI units, energies in Wh and Wh/km; None: cannot be told.

    ``covered`` is the least share of the ride (0 to 1) that one of the sums told here knows.

    ``problem`` is why the file could not be read; then nothing else is known.  ``faults`` counts
    each (number, text).  ``packs`` are all packs that were used, in order.  ``doubted`` are the
    columns of sensors that cannot be right, on which nothing here rests, and ``mismatches``
    sentences about where the board file is not this ride's.
    """

    problem: str = ""
    board: str = ""
    firmware: str = ""
    started: float | None = None
    duration: float = 0.0
    distance: float | None = None
    energy: float | None = None
    per_km: float | None = None
    per_km_error: float | None = None
    covered: float = 1.0
    top_speed: float | None = None
    peak_current: float | None = None
    lowest_cell: float | None = None
    hottest: float | None = None
    battery_temperature: float | None = None
    faults: tuple[tuple[int, str, int], ...] = ()
    samples: int = 0
    lost_samples: int = 0
    link_losses: int = 0
    damaged: int = 0
    ended: bool = True
    packs: tuple[PackFigures, ...] = ()
    settings: tuple[tuple[str, str], ...] = ()
    note: str = ""
    doubted: tuple[str, ...] = ()
    mismatches: tuple[str, ...] = ()

    @property
    def fault_count(self) -> int:
        """Return how many faults came in all."""
        return sum(count for _, _, count in self.faults)

    @property
    def partly(self) -> str:
        """Return what share of the ride the sums know, empty for all of it."""
        if self.covered >= 0.99:
            return ""
        return f"sums over {math.floor(100 * self.covered)} % of the ride"

    @property
    def quality(self) -> str:
        """Return what is wrong with the capture in a few words, or ``sound``."""
        said = [
            "the board file does not match" if self.mismatches else "",
            f"{several(len(self.doubted), 'sensor')} doubted" if self.doubted else "",
            self.partly,
            f"{several(self.lost_samples, 'sample')} lost" if self.lost_samples else "",
            several(self.link_losses, "link loss") if self.link_losses else "",
            several(self.damaged, "damaged stretch") if self.damaged else "",
            "" if self.ended else "cut off",
        ]
        return ", ".join(filter(None, said)) or "sound"

    def as_text(self) -> str:
        """Return the figures as one line of JSON."""
        return json.dumps(asdict(self), separators=(",", ":"), allow_nan=False)

    @classmethod
    def from_text(cls, text: str) -> "RideFigures":
        """Return the figures in ``text``.

        Raises:
            ValueError, TypeError, KeyError: the text holds something else.
        """
        told = json.loads(text)
        if set(told) != {field.name for field in fields(cls)}:
            raise ValueError("not the figures of a ride")
        told["faults"] = tuple((int(n), str(t), int(c)) for n, t, c in told["faults"])
        for name in ("doubted", "mismatches"):
            told[name] = tuple(str(text) for text in told[name])
        told["packs"] = tuple(PackFigures.from_told(pack) for pack in told["packs"])
        told["settings"] = tuple((str(name), str(value)) for name, value in told["settings"])
        return cls(**told)


def figures_of(path: str) -> RideFigures:
    """Return the figures of the log at ``path``; depends on nothing but the file.

    One file of thousands must not end the work on the others, so whatever is wrong with it comes
    back as ``problem``, in one line.
    """
    try:
        return _figures(path)
    except SaglineError as problem:
        return RideFigures(problem=str(problem).removeprefix(f"{path}: "))
    except Exception as problem:  # a worker elsewhere has no console to show it on
        return RideFigures(problem=f"cannot be worked out ({type(problem).__name__}: {problem})")


def _figures(path: str) -> RideFigures:
    from ..findings.basis import figures, open_basis
    from ..findings.cells.fitted import fit_packs
    from ..findings.energy.consumption import Consumption, measure_consumption
    from ..findings.readings.electric import present
    from ..findings.readings.gathered import Gathered
    from ..findings.readings.pack_names import pack_names
    from ..load import load_ride

    ride = load_ride(Path(path))
    if not any(len(stream.time) for stream in ride.streams.values()):
        raise SaglineError("no samples in it")
    board = None
    if ride.board_file is not None:
        try:
            board = read_board_file(ride.board_file, path)
        except SaglineError:
            board = None  # the log matters more than the file that came with it
    basis = open_basis(ride, board)
    ride, summary = basis.ride, figures(basis)
    fits = fit_packs(Gathered(ride))
    names = pack_names(ride, board, [fit.span for fit in fits])
    packs = tuple(_pack(ride, fit, name) for fit, name in zip(fits, names, strict=True))
    taken = measure_consumption(basis)
    whole = taken.whole if isinstance(taken, Consumption) else None
    sums = [summary[key] for key in ("distance", "energy_net")]
    shares = [one.covered for one in sums if one.value is not None and one.covered is not None]
    shares += [taken.covered.share] if isinstance(taken, Consumption) else []
    warmth = [float(series.value.mean()) for _, series in present(ride, "battery_temperature")]
    counts: dict[tuple[int, str], int] = {}
    for event in ride.events:
        if event.kind == EventKind.FAULT:
            counts[event.number, event.text] = counts.get((event.number, event.text), 0) + 1
    quality = ride.quality
    return RideFigures(
        board=ride.board_name,
        firmware=ride.firmware,
        started=_sound(ride.started_wall),
        duration=_sound(ride.duration) or 0.0,
        distance=_sound(summary.get("distance")),
        energy=_sound(summary.get("energy_net")),
        per_km=_sound(whole.per_km if whole else None),
        per_km_error=_sound(whole.error if whole else None),
        covered=min(shares, default=1.0),
        top_speed=_sound(summary.get("top_speed")),
        peak_current=_sound(summary.get("peak_battery_current")),
        lowest_cell=_sound(summary.get("lowest_cell")),
        hottest=_sound(summary.get("hottest_part")),
        battery_temperature=_sound(sum(warmth) / len(warmth) if warmth else None),
        faults=tuple((n, text, count) for (n, text), count in counts.items()),
        samples=sum(len(stream.time) for stream in ride.streams.values()),
        lost_samples=sum(quality.lost_samples.values()),
        link_losses=len(ride.link_gaps),
        damaged=quality.damaged_frames,
        ended=quality.ended,
        packs=packs,
        settings=tuple(ride.settings.items()),
        note=ride.note,
        doubted=tuple(dict.fromkeys(doubt.key for doubt in basis.sensors)),
        mismatches=basis.mismatches,
    )


def _pack(ride: "Ride", fit: "PackFit", name: str) -> PackFigures:
    from ..findings.belief.rest_points import rest_points
    from ..findings.cells.fitted import PackCells, measure_cells
    from ..findings.readings.coverage import ENOUGH, coverage
    from ..findings.readings.electric import battery_current
    from ..findings.readings.packs import during
    from ..findings.readings.series import integral

    measured = measure_cells(fit)
    known = measured.cells if isinstance(measured, PackCells) else ()
    cells = tuple(
        CellFigures(c.number, c.ten, c.ten_error, c.rest_end, c.rest_error)
        for c in known
        if math.isfinite(c.ten + c.ten_error + c.rest_end + c.rest_error)
    )
    rest = [cell.rest for cell in cells]
    current = battery_current(ride)
    drawn = None
    if current:
        own = during(current.series, fit.span)
        if coverage(ride, own, fit.span.start, fit.span.end).share >= ENOUGH:
            drawn = integral(own) / 3600
    rests = tuple(
        point
        for point in rest_points(ride, fit.span)
        if math.isfinite(sum(point.voltages) + point.charge + point.charge_error + point.error)
    )
    return PackFigures(
        name,
        float(fit.span.start),
        float(fit.span.end),
        cells,
        _sound(max(rest) - min(rest) if len(rest) > 1 else None),
        _sound(drawn),
        rests,
    )


def _sound(value: float | None) -> float | None:
    """Return a plain finite number, or None: JSON has no other."""
    return float(value) if value is not None and math.isfinite(value) else None
