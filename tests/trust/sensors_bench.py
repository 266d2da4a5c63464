"""Sensor faults: named, and nothing rests on them; sound rides: nothing named.

Faults are put into rides of two families, our simulator's and those of ``sensor_rides``; sound
rides are those of every maker of the bench, machines that fail among them.  "Named" is a doubt
about a broken column (or its stream).  "Rests on it" counts rides of which any figure differs, by
more than 2 %, from the sound ride's with the same stretches cut out: then what was broken still
shows.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np

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


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the table of faults and that of sound rides."""
    lines = [
        "| fault | family | rides | named | a figure rests on it | other columns named |",
        "|---|---|---:|---:|---:|---:|",
    ]
    seeds = range(seed, seed + min(cases, SEEDS))
    for fault in FAULTS:
        for family in FAMILIES:
            rides = hits = others = rest = 0
            for number in seeds:
                found = broken(sound_ride(family, number), fault, number)
                if found is None:
                    continue
                rides += 1
                hit, other, rests = judged(sound_ride(family, number), found)
                hits += hit
                others += other
                rest += rests
            share = f"{hits} of {rides}"
            lines.append(f"| {fault} | {family} | {rides} | {share} | {rest} | {others} |")
    return [("Sensor faults", "\n".join(lines)), *sound_tables(cases, seed)]


def sound_tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the table of sound rides alone."""
    sound = ["| family | sound rides | named | which |", "|---|---:|---:|---|"]
    told = list(healthy(cases, seed))
    for family in HEALTHY:
        own = [what for name, _, what in told if name == family]
        wrong = [what for what in own if what]
        which = "; ".join(sorted({text for what in wrong for text in what})) or "–"
        share = 100 * float(np.mean([bool(what) for what in own]))
        sound.append(f"| {family} | {len(own)} | {len(wrong)} ({share:.1f} %) | {which} |")
    return [("Sound sensors", "\n".join(sound))]
