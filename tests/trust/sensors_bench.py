"""Sensor faults: named, and nothing rests on them; sound rides: nothing named.

Rides of two families, our simulator's and those of ``sensor_rides``.  "Named" is a doubt about a
broken column (or its stream).  "Rests on it" counts rides of which any figure differs, by more than
2 %, from the sound ride's with the same stretches cut out: then what was broken still shows.
"""

from collections.abc import Iterator
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


def healthy(cases: int, seed: int) -> Iterator[tuple[str, int, tuple[str, ...]]]:
    """Yield (family, seed, what was named) of sound rides."""
    for family in FAMILIES:
        for number in range(seed, seed + cases):
            ride = sound_ride(family, number)
            yield family, number, tuple(f"{d.key}: {d.doubt}" for d in open_basis(ride).sensors)


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
    sound = ["| family | sound rides | named | which |", "|---|---:|---:|---|"]
    told = list(healthy(cases, seed))
    for family in FAMILIES:
        own = [what for name, _, what in told if name == family]
        wrong = [what for what in own if what]
        which = "; ".join(sorted({text for what in wrong for text in what})) or "–"
        share = 100 * float(np.mean([bool(what) for what in own]))
        sound.append(f"| {family} | {len(own)} | {len(wrong)} ({share:.1f} %) | {which} |")
    return [("Sensor faults", "\n".join(lines)), ("Sound sensors", "\n".join(sound))]
