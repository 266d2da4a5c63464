"""A launch by the steady equations of the direct-current machine under three limits."""

import numpy as np

from sagline_analyser.findings.drive.held_back import Cause
from support.rides import channel

VOLTS, OHMS, KEEP = 48.0, 0.12, 0.94


def textbook_launch(throttle: float = 1.0, seed: int = 3, top: float = 46.0):
    """Currents of a direct-current machine that gathers speed under three limits.

    Back-EMF E rises to ``top`` V, by default the supply; i ≤ 40 A, (E + R·i)·i ≤ 18 A × V,
    E + R·i ≤ 0.94·V.  Source: the steady equations of the direct-current machine in any electrical
    machines textbook.
    """
    chance = np.random.default_rng(seed)
    time = np.arange(0, 30, 0.02)
    emf = top * (1 - np.exp(-np.maximum(time - 2, 0) / 6))
    by_power = (np.sqrt(emf**2 + 4 * OHMS * 18 * VOLTS) - emf) / (2 * OHMS)
    bounds = np.stack(
        [
            np.full(len(time), 40.0),
            by_power,
            np.maximum((KEEP * VOLTS - emf) / OHMS, 0.0),
            np.full(len(time), 60 * throttle),
        ]
    )
    asked = np.where((time > 2) & (time < 26), throttle, 0.0)
    current = bounds.min(axis=0) * (asked > 0)
    order = np.array([Cause.MOTOR_CURRENT, Cause.BATTERY_CURRENT, Cause.DUTY, Cause.RIDER])
    truth = order[bounds.argmin(axis=0)]
    volts = (emf + OHMS * current) * (asked > 0)
    noisy = {
        channel("throttle", "1"): asked,
        channel("motor_current", "A", 1, exponent=-1): current + chance.normal(0, 0.2, len(time)),
        channel("duty_cycle", "1", 1): volts / VOLTS + chance.normal(0, 5e-4, len(time)),
        channel("battery_current", "A", exponent=-2): volts * current / VOLTS
        + chance.normal(0, 0.05, len(time)),
        channel("pack_voltage", "V", exponent=-2): np.full(len(time), VOLTS),
        channel("speed", "m/s"): emf / 5,
    }
    return time, noisy, truth
