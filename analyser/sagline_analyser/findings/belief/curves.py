"""Rest voltage over charge of cells of several makes: a family, of which an unknown cell is one or
between.

Each is the open-circuit voltage at 25 °C of a published parameter set of full cells that the
package pybamm 26.10 (BSD-3-Clause) carries, worked out from its electrodes' potentials between the
voltages below; one is the rests of the public pulse-power data set ``hppc_discharge`` of the
package ampworks 0.1 (BSD-3-Clause); and Safari2011 is of the potentials of M. Safari and
C. Delacourt, J. Electrochem. Soc. 158 (2011) A562, from memory; "usual iron phosphate" is no single
cell's, but what such cells are commonly said to show (from memory, no source).

All are over one range: charge 0 is 2.5 V at rest (2.8 V for Ramadass2004, whose potentials reach no
further) and 1 is 4.2 V; for iron phosphate 2.0 and 3.6 V.
So a curve says what a cell holds above the voltage that data sheets count down to, and a cell that
is charged to less than 4.2 V is full below 1.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from sagline_logger.format import Battery

from ..readings.series import Array


@dataclass(frozen=True)
class Curve:
    """``voltages`` in V at CHARGES; ``name`` that of its set, ``kind`` its positive electrode's;
    nickel with aluminium stands apart, half full it lies 60 mV below nickel with manganese."""

    name: str
    kind: str
    voltages: tuple[float, ...]


CHARGES = (
    0.0, 0.01, 0.02, 0.035, 0.05, 0.07, 0.1, 0.14, 0.18, 0.23, 0.28, 0.34, 0.4, 0.46, 0.52,
    0.58, 0.64, 0.7, 0.76, 0.82, 0.88, 0.93, 0.97, 1.0,
)  # fmt: skip
"""States of charge of the values below."""

CURVES = (
    Curve(
        "Chen2020",
        "nickel",
        (  # NMC 811, graphite with silicon
            2.500,
            2.711,
            2.862,
            3.014,
            3.109,
            3.193,
            3.296,
            3.416,
            3.469,
            3.510,
            3.560,
            3.621,
            3.667,
            3.714,
            3.770,
            3.824,
            3.878,
            3.948,
            4.004,
            4.060,
            4.092,
            4.107,
            4.149,
            4.200,
        ),
    ),
    Curve(
        "ORegan2022",
        "nickel",
        (  # NMC 811, graphite with silicon, measured again
            2.500,
            2.700,
            2.839,
            2.976,
            3.062,
            3.143,
            3.255,
            3.362,
            3.406,
            3.455,
            3.514,
            3.572,
            3.612,
            3.650,
            3.696,
            3.764,
            3.857,
            3.914,
            3.967,
            4.031,
            4.085,
            4.102,
            4.141,
            4.200,
        ),
    ),
    Curve(
        "Mohtat2020",
        "nickel",
        (  # NMC 532, graphite
            2.500,
            3.078,
            3.265,
            3.401,
            3.459,
            3.490,
            3.510,
            3.530,
            3.566,
            3.606,
            3.632,
            3.650,
            3.671,
            3.696,
            3.726,
            3.772,
            3.832,
            3.879,
            3.932,
            3.990,
            4.054,
            4.112,
            4.161,
            4.200,
        ),
    ),
    Curve(
        "Ecker2015",
        "nickel",
        (  # NMC, graphite
            2.500,
            2.880,
            3.034,
            3.190,
            3.294,
            3.382,
            3.459,
            3.516,
            3.562,
            3.629,
            3.692,
            3.737,
            3.770,
            3.782,
            3.791,
            3.807,
            3.836,
            3.882,
            3.950,
            4.004,
            4.059,
            4.112,
            4.160,
            4.200,
        ),
    ),
    Curve(
        "NCA_Kim2011",
        "aluminium",
        (  # NCA, graphite
            2.500,
            2.956,
            3.097,
            3.167,
            3.191,
            3.210,
            3.244,
            3.294,
            3.344,
            3.406,
            3.466,
            3.534,
            3.596,
            3.650,
            3.700,
            3.749,
            3.805,
            3.873,
            3.940,
            3.999,
            4.059,
            4.112,
            4.160,
            4.200,
        ),
    ),
    Curve(
        "Marquis2019",
        "cobalt",
        (  # LCO, graphite
            2.500,
            2.887,
            3.166,
            3.423,
            3.556,
            3.636,
            3.676,
            3.689,
            3.692,
            3.693,
            3.696,
            3.702,
            3.721,
            3.741,
            3.753,
            3.767,
            3.788,
            3.817,
            3.852,
            3.886,
            3.966,
            4.090,
            4.127,
            4.200,
        ),
    ),
    Curve(
        "Ramadass2004",
        "cobalt",
        (  # LCO, graphite
            2.800,
            3.083,
            3.231,
            3.363,
            3.446,
            3.522,
            3.595,
            3.655,
            3.693,
            3.723,
            3.745,
            3.766,
            3.788,
            3.810,
            3.835,
            3.864,
            3.895,
            3.930,
            3.969,
            4.013,
            4.062,
            4.109,
            4.156,
            4.200,
        ),
    ),
    Curve(
        "Ai2020",
        "cobalt",
        (  # LCO, graphite
            2.500,
            3.140,
            3.289,
            3.427,
            3.520,
            3.599,
            3.637,
            3.655,
            3.683,
            3.708,
            3.725,
            3.744,
            3.761,
            3.778,
            3.799,
            3.825,
            3.860,
            3.908,
            3.959,
            4.012,
            4.068,
            4.118,
            4.159,
            4.200,
        ),
    ),
    Curve(
        "Prada2013",
        "iron",
        (  # LFP, graphite
            2.000,
            2.265,
            2.460,
            2.659,
            2.785,
            2.887,
            2.978,
            3.084,
            3.154,
            3.180,
            3.197,
            3.227,
            3.252,
            3.263,
            3.267,
            3.268,
            3.270,
            3.274,
            3.298,
            3.312,
            3.314,
            3.315,
            3.327,
            3.600,
        ),
    ),
    Curve(
        "Safari2011",
        "iron",
        (  # LFP, graphite
            2.000,
            2.739,
            2.865,
            2.974,
            3.055,
            3.128,
            3.189,
            3.224,
            3.242,
            3.260,
            3.276,
            3.292,
            3.302,
            3.307,
            3.310,
            3.312,
            3.317,
            3.325,
            3.334,
            3.341,
            3.346,
            3.362,
            3.427,
            3.600,
        ),
    ),
    Curve(
        "usual iron phosphate",
        "iron",
        (  # LFP, graphite, as makers and users of such cells give its rests; from memory
            2.000,
            2.550,
            2.750,
            2.900,
            3.000,
            3.090,
            3.180,
            3.208,
            3.228,
            3.247,
            3.262,
            3.277,
            3.285,
            3.288,
            3.290,
            3.293,
            3.300,
            3.316,
            3.326,
            3.330,
            3.332,
            3.335,
            3.345,
            3.600,
        ),
    ),
    Curve(
        "hppc_discharge",
        "nickel",
        (  # not stated, and nearest to NMC 532; its rests, ends drawn on
            2.500,
            2.925,
            3.152,
            3.237,
            3.321,
            3.409,
            3.446,
            3.496,
            3.538,
            3.571,
            3.602,
            3.627,
            3.651,
            3.674,
            3.703,
            3.735,
            3.778,
            3.826,
            3.885,
            3.947,
            4.012,
            4.083,
            4.145,
            4.200,
        ),
    ),
)

_KIND_OF = {curve.name: curve.kind for curve in CURVES}


def shares_of_kinds(names: Iterable[tuple[str, float]]) -> dict[str, float]:
    """Return the shares of the kinds from those of the curves by name."""
    found: dict[str, float] = {}
    for name, share in names:
        found[_KIND_OF[name]] = found.get(_KIND_OF[name], 0.0) + share
    return found


GRID = np.linspace(-0.03, 1.06, 219)
"""States of charge at which curves are worked with: the ends drawn on straight."""


def on_grid(curve: Curve) -> Array:
    """Return the curve's V at GRID, rising."""
    charge, voltage = np.array(CHARGES), np.array(curve.voltages)
    inside = np.interp(GRID, charge, voltage)
    low = (voltage[1] - voltage[0]) / (charge[1] - charge[0])
    high = (voltage[-1] - voltage[-2]) / (charge[-1] - charge[-2])
    inside += low * np.minimum(GRID, 0.0) + max(high, 0.5) * np.maximum(GRID - 1.0, 0.0)
    # A plateau rises too, if by little: a voltage has one charge.
    return np.asarray(np.maximum.accumulate(inside) + 1e-5 * np.arange(len(GRID)), np.float64)


OTHER = 0.15
"""How likely a kind is that the board file's words do not name, over one that they do (our
judgement)."""


def kinds_of(chemistry: str | None, full: float | None, highest: float) -> dict[str, float]:
    """Return how likely each kind of electrode is, from the board file's words and voltages.

    Names are the trade's; ``highest`` is the greatest V at rest that the ride shows.
    """
    words = (chemistry or "").lower()
    if says_iron(chemistry) or (full is not None and full < 3.8 and highest < 3.7):
        return {"iron": 1.0}
    said = {
        "nickel": any(word in words for word in ("nmc", "ncm")),
        "aluminium": "nca" in words,
        "cobalt": any(word in words for word in ("lco", "cobalt", "icr")),
    }
    if not any(said.values()) and any(word in words for word in ("nickel", "inr")):
        said["nickel"] = said["aluminium"] = True
    if any(said.values()) == all(said.values()):
        return dict.fromkeys(said, 1.0)
    # A word is no measurement: the other kinds stay possible.
    return {kind: 1.0 if own else OTHER for kind, own in said.items()}


def says_iron(chemistry: str | None) -> bool:
    """Whether a board file's word for its cells' chemistry means iron phosphate."""
    words = (chemistry or "").lower()
    return any(word in words for word in ("lfp", "fepo", "iron"))


def kind_of(battery: Battery | None, highest: float) -> str:
    """Return the one kind that a board file's pack can be of, "" where there are several; see
    :func:`kinds_of`."""
    full = battery.cell_full if battery else None
    kinds = kinds_of(chemistry_of(battery), full, highest)
    return next(iter(kinds)) if len(kinds) == 1 else ""


def chemistry_of(battery: Battery | None) -> str | None:
    """Return what the board file says its cells are, by the first unit that says it."""
    units = battery.units if battery else ()
    return next((unit.chemistry for unit in units if unit.chemistry), None)
