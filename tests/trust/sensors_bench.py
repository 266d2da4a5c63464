"""Sensor faults: named, and nothing rests on them; sound rides: nothing named.

Rides of two families, our simulator's and those of ``sensor_rides``.  "Named" is a doubt about a
broken column (or its stream).  "Rests on it" counts rides whose figures change when the doubted
column is cut out by hand as well: an answer then used what the pass should have kept from it.
"""

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np

from sagline_analyser.findings.basis import open_basis, without
from sagline_analyser.findings.summary import summarise
from sagline_analyser.load.ride import Ride
from support.simulated_rides import simulated_ride
from trust.sensor_rides import FAULTS, Broken, broken, own_ride

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


def named(ride: Ride, keys: tuple[str, ...]) -> tuple[bool, int]:
    """Return whether each of ``keys`` is doubted, and how many other columns are."""
    doubted = {doubt.key for doubt in open_basis(ride).sensors}
    return bool(doubted & set(keys)), len(doubted - set(keys))


def rests_on(found: Broken) -> bool:
    """Return whether a figure changes when all of the doubted columns are cut out as well."""
    basis = open_basis(found.ride)
    keys = [doubt.key for doubt in basis.sensors if doubt.set_aside]
    whole = tuple(
        replace(d, spans=((-1.0, found.ride.duration + 1.0),))
        for d in basis.sensors if d.key in keys and _all_along(d.spans, found.ride.duration)
    )  # fmt: skip
    return _figures(basis.ride) != _figures(without(found.ride, (*basis.sensors, *whole)))


def _all_along(spans: tuple[tuple[float, float], ...], duration: float) -> bool:
    return sum(end - start for start, end in spans) > 0.98 * duration


def _figures(ride: Ride) -> list[tuple[str, float | None]]:
    return [(f.key, f.value) for f in summarise(ride)]


def healthy(cases: int, seed: int) -> Iterator[tuple[str, int, tuple[str, ...]]]:
    """Yield (family, seed, what was named) of sound rides."""
    for family in FAMILIES:
        for number in range(seed, seed + cases):
            ride = sound_ride(family, number)
            yield family, number, tuple(f"{d.key}: {d.doubt}" for d in open_basis(ride).sensors)


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the table of faults and that of sound rides."""
    lines = ["| fault | family | rides | named | other columns named |", "|---|---|---:|---:|---:|"]
    seeds = range(seed, seed + min(cases, SEEDS))
    for fault in FAULTS:
        for family in FAMILIES:
            rides = hits = others = 0
            for number in seeds:
                found = broken(sound_ride(family, number), fault, number)
                if found is None:
                    continue
                rides += 1
                hit, other = named(found.ride, found.keys)
                hits += hit
                others += other > 0
            share = f"{hits} of {rides}"
            lines.append(f"| {fault} | {family} | {rides} | {share} | {others} |")
    sound = ["| family | sound rides | named | which |", "|---|---:|---:|---|"]
    told = list(healthy(cases, seed))
    for family in FAMILIES:
        own = [what for name, _, what in told if name == family]
        wrong = [what for what in own if what]
        which = "; ".join(sorted({text for what in wrong for text in what})) or "–"
        share = 100 * float(np.mean([bool(what) for what in own]))
        sound.append(f"| {family} | {len(own)} | {len(wrong)} ({share:.1f} %) | {which} |")
    return [("Sensor faults", "\n".join(lines)), ("Sound sensors", "\n".join(sound))]
