"""Counts to values: thermistor and cell taps.  (A linear sensor needs nothing: send its counts,
and state scale and offset in the descriptor.)"""

from math import log


def thermistor_centi(counts, full, fixed, rows):
    """Return the temperature in 0.01 °C of a divider: ``fixed`` Ω to the reference, thermistor to
    ground; None outside the rows, since a broken or shorted lead is no temperature.

    ``rows`` of the thermistor's data sheet, coldest first: (Ω, °C).  Between two rows holds the
    beta equation 1/T = 1/T1 + ln(R/R1)/B with the B that these rows have.
    """
    if not 0 < counts < full:
        return None
    ohm = fixed * counts / (full - counts)
    for (r1, t1), (r2, t2) in zip(rows, rows[1:]):  # noqa: B905, RUF007
        if r2 <= ohm <= r1:
            cold, warm = 1 / (t1 + 273.15), 1 / (t2 + 273.15)
            beta = log(r1 / r2) / (cold - warm)
            return round(100 / (cold + log(ohm / r1) / beta) - 27315)
    return None


def cells_mv(counts, gain):
    """Return cell voltages in mV from the taps above each cell, lowest first.

    ``gain``: µV at each tap for one count, calibrated: (volts by a multimeter) × 1e6 / counts.
    """
    cells = []
    below = 0
    for count, each in zip(counts, gain):  # noqa: B905
        tap = int(count * each + 500) // 1000
        cells.append(tap - below)
        below = tap
    return cells
