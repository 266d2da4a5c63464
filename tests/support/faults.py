"""Rides by textbook rules (Ohm's law, straight cell lines) in which one scripted thing goes wrong.

A small board of six cells works in pulses for a minute; then the script changes the columns.
Nothing here is taken from the analyser or the simulator.
"""

from collections.abc import Callable
from typing import Any

import numpy as np

from sagline_analyser.load.ride import LinkGap, Ride, RideEvent, RideSegment
from sagline_logger.format import BoardFile, Channel, EventKind, read_board_file
from support.rides import channel, make_ride, make_stream

AT = 60.0
"""s at which the scripts strike."""

END = 66.0
"""s at which the rides end."""

OHMS = 0.004
"""Resistance of one cell, Ω."""

BOARD: BoardFile = read_board_file(
    """
    name = "Kestrel"
    [battery]
    cell_full = 4.2
    cell_alarm = 3.3
    cell_stop = 3.0
    [[battery.units]]
    name = "box"
    series = 6
    parallel = 4
    [[motors]]
    temperature_limit = 100
    [[controllers]]
    burst_current = 60
    burst_seconds = 5
    temperature_limit = 85
    [settings]
    motor_current_limit = 45
    voltage_cutback_start = 19.5
    voltage_cutback_end = 18
    """,
    "board.toml",
)

Arrays = dict[str, np.ndarray]
RATES = {"fast": 0.02, "cells": 0.2, "heat": 0.5}
STREAM_OF: dict[str, tuple[str, Channel]] = {
    "pack_voltage": ("fast", channel("pack_voltage", "V")),
    "battery_current": ("fast", channel("battery_current", "A")),
    "motor_current": ("fast", channel("motor_current", "A", 1)),
    "motor_speed": ("fast", channel("motor_speed", "r/min", 1)),
    "speed": ("fast", channel("speed", "m/s")),
    "throttle": ("fast", channel("throttle", "1")),
    "brake": ("fast", channel("brake", "1")),
    **{f"cell_{n}": ("cells", channel("cell_voltage", "V", n)) for n in range(1, 7)},
    "motor_temperature": ("heat", channel("motor_temperature", "°C", 1)),
    "controller_temperature": ("heat", channel("controller_temperature", "°C", 1)),
}


class Script:
    """The quantities of a sound ride on one fine time grid (10 ms), for a script to change."""

    def __init__(self, open_circuit: float = 3.8, seed: int = 1) -> None:
        self.time = time = np.arange(0, END, 0.01)
        chance = np.random.default_rng(seed)
        pulse = 0.5 + 0.5 * np.sin(2 * np.pi * time / 7)
        self.load = 4 + 30 * pulse
        self.load[time > AT - 6] = 33.0
        self.open = np.full((6, len(time)), open_circuit)
        self.ohms = np.full(6, OHMS)
        self.leads = 0.006
        speed = 4 + 1.5 * pulse
        self.q: Arrays = {
            "motor_current": 1.2 * self.load,
            "speed": speed,
            "motor_speed": 250 * speed,
            "throttle": 0.2 + 0.7 * self.load / 34,
            "brake": np.zeros(len(time)),
            "motor_temperature": 50 + time / 10,
            "controller_temperature": 40 + time / 20,
        }
        self.noise = chance.normal(0, 1, (8, len(time)))
        self.factor = np.ones(len(time))
        """Share of the pack's voltage that reaches the controller."""

    def after(self, start: float = 0.0, end: float = 99.0) -> np.ndarray:
        """Flags from ``start`` to ``end`` s after the strike."""
        return (self.time >= AT + start - 1e-9) & (self.time < AT + end - 1e-9)

    def cut(self, at: float = 0.0) -> None:
        """Stop the current, throttle still open."""
        self.load[self.after(at)] = 0.0
        self.q["motor_current"][self.after(at)] = 0.0

    def ride(self, keep: Callable[[np.ndarray], np.ndarray] | None = None, **more: Any) -> Ride:
        """Return the ride; ``keep`` tells of an array of times which samples arrived."""
        cells = self.open - self.ohms[:, None] * self.load
        total = cells.sum(axis=0) - self.leads * self.load
        columns = dict(self.q)
        columns["battery_current"] = self.load + 0.05 * self.noise[7]
        columns["pack_voltage"] = total * self.factor + 0.01 * self.noise[6]
        for n in range(6):
            columns[f"cell_{n + 1}"] = cells[n] + 0.001 * self.noise[n]
        streams = []
        for name, period in RATES.items():
            pick = np.arange(0, len(self.time), round(period / 0.01))
            gap: list[int] = []
            if keep is not None:
                flags = keep(self.time[pick])
                pick = pick[flags]
                gap = [int(n) + 1 for n in np.flatnonzero(np.diff(pick) > round(period / 0.01))]
            own = {c: columns[key][pick] for key, (s, c) in STREAM_OF.items() if s == name}
            streams.append(make_stream(name, self.time[pick], own, gap, period))
        return make_ride(*streams, **more)


def fault(text: str, at: float = 0.0) -> tuple[RideEvent, ...]:
    """Return one fault event of the board."""
    return (RideEvent(AT + at, EventKind.FAULT, 9, 0, text),)


def link_lost(end: float | None) -> tuple[LinkGap, ...]:
    """Return the link's gap from the strike on."""
    return (LinkGap(AT + 1.0, end, "no frame for 1 s"),)


def restarted(end: float, step: float) -> tuple[RideSegment, ...]:
    """Return two starts of the board with the strike between."""
    return (RideSegment(0, 1, 0.0, AT), RideSegment(1, 2, end, END, step))
