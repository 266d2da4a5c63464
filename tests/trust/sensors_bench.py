"""Sensor faults: named, and nothing rests on them; sound rides: nothing named.

Faults are put into rides of two families, our simulator's and those of ``sensor_rides``; sound
rides are those of every maker of the bench, machines that fail among them.  "Named" is a doubt
about a broken column (or its stream).  "Rests on it" counts rides of which any figure differs, by
more than 2 %, from the sound ride's with the same stretches cut out: then what was broken still
shows.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

from sagline_analyser.findings.basis import open_basis, without
from sagline_analyser.findings.readings.summary import summarise
from sagline_analyser.load.ride import Ride
from sagline_logger.format import BoardFile
from support.simulated_rides import simulated_ride
from trust.cells_model import CannotSolve
from trust.cells_rides import make_ride_of
from trust.fault_rides import KINDS, fault_ride
from trust.limits_models import limits_rides, vehicle
from trust.sensor_rides import FAULTS, Broken, broken, own_ride
from trust.vehicles import FAMILIES as LAUNCHES
from trust.vehicles import ride_set

SEEDS = 10
"""Seeds of each fault and family."""

KNOWLEDGE = ("settings", "in force", "nothing")


@lru_cache(maxsize=64)
def sound_ride(family: str, seed: int) -> Ride:
    """Return a ride of sound sensors."""
    if family == "own laws":
        return own_ride(seed)
    return simulated_ride(seed, KNOWLEDGE[seed % len(KNOWLEDGE)]).ride


FAMILIES = ("own laws", "simulator")


def judged(sound: Ride, found: Broken) -> tuple[bool, bool, bool]:
    """Return whether a broken column is doubted, whether a sound one is, and whether any figure
    rests on what was broken: differs from the sound ride's with the same stretches cut out."""
    basis = open_basis(found.ride)
    doubted = {doubt.key for doubt in basis.sensors}
    rests = False
    if all(doubt.set_aside for doubt in basis.sensors):
        told = {f.key: f.value for f in summarise(basis.ride)}
        true = {f.key: f.value for f in summarise(without(sound, basis.sensors))}
        rests = any(_apart(told.get(key), value) for key, value in true.items())
    return bool(doubted & set(found.keys)), bool(doubted - set(found.keys)), rests


def _apart(told: float | None, true: float | None) -> bool:
    if told is None or true is None:
        return told is not true
    return abs(told - true) > 0.02 * abs(true) + 0.01


Sound = tuple[Ride, BoardFile | None]


def _launches(seed: int) -> Sound:
    family = LAUNCHES[seed % len(LAUNCHES)]
    return ride_set(family, seed, launches=4, order="AB").rides[seed % 2], None


def _limits(seed: int) -> Sound:
    batch, at = divmod(seed, AT_ONCE)
    return _batch(batch)[at], None


@lru_cache(maxsize=2)
def _batch(number: int) -> tuple[Ride, ...]:
    first = 1 + number * AT_ONCE
    return tuple(m.ride for m in limits_rides([vehicle(first + n) for n in range(AT_ONCE)], 90.0))


def _faults(seed: int) -> Sound | None:
    """A machine that fails, its sensors sound: what it does is no sensor's doubt."""
    kind = MACHINES[seed % len(MACHINES)]
    made = fault_ride(kind, seed)
    return None if made is None else (made.ride, made.board)


def _porous(seed: int) -> Sound | None:
    """Cells as porous electrodes; without the speed, whose schedule may stop within one sample."""
    try:
        made = make_ride_of(seed)
    except CannotSolve:
        return None
    streams = {
        name: replace(
            s, channels=own, values={k: s.values[k] for k in own}, raw={k: s.raw[k] for k in own}
        )
        for name, s in made.ride.streams.items()
        if (own := {k: c for k, c in s.channels.items() if c.name != "speed"})
    }
    return replace(made.ride, streams=streams), made.board


AT_ONCE = 20
MACHINES = tuple(
    name for name in KINDS if "sensor" not in name and "signal" not in name and "speed" not in name
)
"""Kinds of faults in which no sensor is broken."""

HEALTHY: dict[str, tuple[float, Callable[[int], Sound | None]]] = {
    "own laws": (1.0, lambda seed: (sound_ride("own laws", seed), None)),
    "simulator": (1.0, lambda seed: (sound_ride("simulator", seed), None)),
    "launches": (0.5, _launches),
    "limits": (0.5, _limits),
    "machines that fail": (0.5, _faults),
    "porous cells": (0.25, _porous),
}
"""Family → share of the cases asked for, and its maker; None where a seed has no such ride."""


def healthy(cases: int, seed: int) -> Iterator[tuple[str, int, tuple[str, ...]]]:
    """Yield (family, seed, what was named) of sound rides."""
    for family, (share, make) in HEALTHY.items():
        for number in range(seed, seed + max(1, round(share * cases))):
            made = make(number)
            if made is not None:
                found = open_basis(*made).sensors
                yield family, number, tuple(f"{d.key}: {d.doubt}" for d in found)


@dataclass(frozen=True)
class Struck:
    """One broken ride: whether the broken column was named, a sound one, and whether any figure
    rests on what was broken."""

    fault: str
    family: str
    seed: int
    named: bool
    others: bool
    rests: bool


Quiet = tuple[str, int, tuple[str, ...]]
"""A sound ride's family and seed, and what was named of it."""

Rows = dict[str, list[Struck] | list[Quiet]]


def struck(cases: int, seed: int) -> Iterator[Struck]:
    """Yield what is judged of ``cases`` rides, :data:`SEEDS` at most, of each fault and family."""
    for fault in FAULTS:
        for family in FAMILIES:
            for number in range(seed, seed + min(cases, SEEDS)):
                sound = sound_ride(family, number)
                found = broken(sound, fault, number)
                if found is not None:
                    yield Struck(fault, family, number, *judged(sound, found))


def rows(cases: int, seed: int) -> Rows:
    """Return what is judged of broken rides and of sound ones, from ``seed`` on."""
    return {"struck": list(struck(cases, seed)), **sound_rows(cases, seed)}


def sound_rows(cases: int, seed: int) -> Rows:
    """Return what is judged of sound rides from ``seed`` on."""
    return {"sound": list(healthy(cases, seed))}


def tables_of(found: Rows) -> list[tuple[str, str]]:
    """Return the table of faults, where any were put in, and that of sound rides."""
    lines = [
        "| fault | family | rides | named | a figure rests on it | other columns named |",
        "|---|---|---:|---:|---:|---:|",
    ]
    groups: dict[tuple[str, str], list[Struck]] = {}
    for one in found.get("struck", []):
        assert isinstance(one, Struck)
        groups.setdefault((one.fault, one.family), []).append(one)
    for (fault, family), own in groups.items():
        named = f"{sum(o.named for o in own)} of {len(own)}"
        rests, others = sum(o.rests for o in own), sum(o.others for o in own)
        lines.append(f"| {fault} | {family} | {len(own)} | {named} | {rests} | {others} |")
    faults = [("Sensor faults", "\n".join(lines))] if groups else []
    return [*faults, ("Sound sensors", _sound_table(found))]


def _sound_table(found: Rows) -> str:
    lines = ["| family | sound rides | named | which |", "|---|---:|---:|---|"]
    quiet = [one for one in found["sound"] if not isinstance(one, Struck)]
    for family in HEALTHY:
        own = [what for name, _, what in quiet if name == family]
        wrong = [what for what in own if what]
        which = "; ".join(sorted({text for what in wrong for text in what})) or "–"
        share = f"{100 * len(wrong) / len(own):.1f} %" if own else "–"
        lines.append(f"| {family} | {len(own)} | {len(wrong)} ({share}) | {which} |")
    return "\n".join(lines)


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the table of faults and that of sound rides."""
    return tables_of(rows(cases, seed))
