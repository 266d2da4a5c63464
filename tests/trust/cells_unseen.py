"""Cells of makes whose curves the analyser has not, and that no constant of it was chosen on.

Their electrodes' open-circuit potentials are of another package, mpet 1.0.0 (MIT), and of a paper;
their particles, kinetics and heat are sets of ``pybamm``.
"""

from dataclasses import replace
from typing import Any

import numpy as np

from trust import cells_bench, cells_model
from trust.cells_bench import Rows, interval_tables
from trust.cells_model import Make
from trust.table import event_table

WHAT = "Cells of makes that were not seen before"
CHARGE = f"{WHAT}: states of charge and rests"
ERRORS = f"{WHAT}: states of charge, size of the error"
SIZES = f"{WHAT}: resistances, capacities and ranges"
CLAIMS = f"{WHAT}: what was claimed"
WIDTHS = f"{WHAT}: at how many times its width an interval would hold so many"


def _graphite(x: Any) -> Any:
    return (
        0.6594735004847470
        - 0.01059423355572770 * np.tanh((x - 0.01453708425609560) / 9.089868397988610e-05)
        + 0.02443615203087110 * np.tanh((x - 0.5464261369950400) / 0.6270508166379020)
        - 0.01637520788053810 * np.tanh((x - 0.5639025014475490) / 0.07053886409518520)
        - 0.06542365622896410 * np.tanh((x - 0.5960370524233590) / 1.409966536648620)
        - 0.04173226059293490 * np.tanh((x - 0.1787670587868640) / 0.07693844911793470)
        - 0.4792178163846890 * np.tanh((x + 0.003845707852011820) / 0.04112633446959460)
        - 0.04364293924074990 * np.tanh((x - 0.09449231893318330) / -0.02046776012570780)
        - 0.08241166396760410 * np.tanh((x - 0.07746685789572230) / 0.03593817905677970)
    )


_NICKEL = (
    5.314735633000300,
    -4.158276603609060,
    27.23409218042130,
    -272.4851668445780,
    1190.223421193310,
    -2073.765547574810,
    -829.7904604107030,
    8698.112755348720,
    -10743.74333186190,
    -2057.808873526350,
    12656.30978512400,
    -1571.094264365090,
    -14557.42062291360,
    13176.57544484270,
    -3640.117692001490,
)


def _nickel(y: Any) -> Any:
    total = sum(factor * y**power for power, factor in enumerate(_NICKEL) if power) + _NICKEL[0]
    return total - 5.573191762723310e-4 * np.exp(6.560240842659690 * y**41.48209275061330)


_THERMAL = 0.025693
"""V: k·T/e at 298.15 K."""


def _nickel_cobalt_aluminium(y: Any) -> Any:
    # By a table, which goes on beyond the logarithm's ends.
    used = np.linspace(0.002, 0.998, 600)
    volts = 4.12178 - 0.2338 * used - 1.24566 * used**2 + 1.16769 * used**3 - 0.20745 * used**4
    volts -= _THERMAL * np.log(used / (1 - used))
    return cells_model.pybamm.Interpolant(0.3 + 0.7 * used, volts, y)


def _iron_phosphate(y: Any) -> Any:
    return (
        3.382
        + 0.0047 * y
        + 1.627 * np.exp(-81.163 * y**1.0138)
        + 7.6445e-8 * np.exp(25.36 * y**2.469)
        - 8.4410e-8 * np.exp(25.262 * y**2.478)
    )


POTENTIALS = {
    "Colclasure2020": (_graphite, _nickel),
    "Smith": (_graphite, _nickel_cobalt_aluminium),
    "Kashkooli2016": (_graphite, _iron_phosphate),
}
"""V over stoichiometry, negative and positive.  A. M. Colclasure et al., Electrochim. Acta 337
(2020) 135854 (NMC 532 and graphite), and a fit by R. B. Smith of a C/100 discharge of an NCA
cell, both as mpet 1.0.0 carries them; A. G. Kashkooli et al., J. Power Sources 307 (2016) 294, from
memory."""

MAKES = (
    Make(
        "Mohtat2020",
        "nickel",
        "NMC 532, graphite",
        2.8,
        4.2,
        (3.1, 3.3),
        3.0,
        potentials="Colclasure2020",
    ),
    Make(
        "Chen2020",
        "nickel",
        "NMC, graphite",
        2.7,
        4.2,
        (3.0, 3.2),
        2.0,
        potentials="Colclasure2020",
    ),
    Make("Ecker2015", "cobalt", "NCA, graphite", 2.7, 4.2, (3.0, 3.2), 3.0, potentials="Smith"),
    Make("NCA_Kim2011", "cobalt", "NCA, graphite", 2.8, 4.2, (3.1, 3.3), 3.0, potentials="Smith"),
    replace(cells_model.MAKES[-2], potentials="Kashkooli2016"),
    replace(cells_model.MAKES[-1], name="Mohtat2020", heat=True, potentials="Kashkooli2016"),
)


def rows(cases: int, seed: int) -> Rows:
    """Return the rows of ``cases`` rides of each family from ``seed`` on, by table."""
    found: Rows = {CHARGE: [], SIZES: [], CLAIMS: []}
    cells_model.POTENTIALS.update(POTENTIALS)
    for one in cells_bench.rides(cases, seed, makes=MAKES):
        said = cells_bench.rows_of(one)
        found[CHARGE] += said[cells_bench.CHARGE]
        found[SIZES] += said[cells_bench.SIZES]
        found[CLAIMS] += said[cells_bench.CLAIMS]
    return found


def tables_of(found: Rows) -> list[tuple[str, str]]:
    """Return the tables of :func:`rows`."""
    titles = (CHARGE, ERRORS, SIZES, WIDTHS)
    return [
        *interval_tables(titles, found[CHARGE], found[SIZES]),
        (CLAIMS, event_table(found[CLAIMS])),
    ]


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the tables of ``cases`` rides of each family from ``seed`` on."""
    return tables_of(rows(cases, seed))
