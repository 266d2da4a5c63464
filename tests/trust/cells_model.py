"""Cells as porous electrodes: single-particle model with electrolyte, by the package ``pybamm``.

Nothing here is shared with the analyser or the simulator: the equations are diffusion in the
particles and the electrolyte, reaction kinetics and a lumped heat balance (Marquis et al. 2019, as
PyBaMM implements it), the parameters are published sets that PyBaMM carries.  Every solution is
kept on disk under its inputs, in the directory that ``SAGLINE_TRUST_CACHE`` names, by default
``sagline_trust`` in the system's temporary directory.
"""

import functools
import hashlib
import os
import pickle
import tempfile
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import numpy as np

from sagline_analyser.findings.readings.series import Array
from support.late import late

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")  # it would report home otherwise


class CannotSolve(Exception):
    """A cell cannot give a load, or is below its lowest voltage at once."""


P = ParamSpec("P")
R = TypeVar("R")

SAMPLE = 0.1
"""s between the samples of a ride's solution."""

KELVIN = 273.15

pybamm = late("pybamm", lambda package: package.set_logging_level("ERROR"))
warnings.filterwarnings("ignore", module="pybamm")


@dataclass(frozen=True)
class Make:
    """One published cell: the parameter set ``name``, and how a builder would describe it.

    ``full`` is its upper and ``empty`` its lower voltage at rest in V, ``reserve`` the alarm
    voltages that builders choose, ``hardest`` the C-rate that it bears, ``heat`` whether its set is
    complete enough for a heat balance, ``model`` "SPMe" or "DFN"; ``potentials`` names other
    published open-circuit potentials of :data:`POTENTIALS` that its electrodes take.
    """

    name: str
    family: str
    chemistry: str
    empty: float
    full: float
    reserve: tuple[float, ...]
    hardest: float
    heat: bool = True
    model: str = "SPMe"
    potentials: str = ""


MAKES = (
    Make("Chen2020", "nickel", "NMC 811, graphite with silicon", 2.5, 4.2, (3.0, 3.2, 3.3), 2.0),
    Make("Mohtat2020", "nickel", "NMC 532, graphite", 2.8, 4.2, (3.1, 3.3), 3.0),
    Make("Ecker2015", "nickel", "NMC, graphite", 2.5, 4.2, (3.0, 3.3), 3.0),
    Make("NCA_Kim2011", "cobalt", "NCA, graphite", 2.7, 4.2, (3.0, 3.2), 3.0),
    Make("Ai2020", "cobalt", "LCO, graphite", 3.0, 4.2, (3.2, 3.4), 2.5),
    Make("Marquis2019", "cobalt", "LCO, graphite", 3.105, 4.1, (3.3, 3.4), 2.5),
    Make("Prada2013", "iron phosphate", "LFP, graphite", 2.0, 3.6, (2.7, 2.9), 3.0, heat=False),
    Make(
        "Prada2013",
        "iron phosphate",
        "LiFePO4, graphite",
        2.0,
        3.6,
        (2.6, 2.8, 3.0),
        3.0,
        heat=False,
        potentials="Safari2011",
    ),
)
"""At least two of each family.  PyBaMM carries one set of iron phosphate; the second one has its
particles and kinetics and the potentials of another publication."""


def _iron_phosphate(sto: Any) -> Any:
    left = 1 - sto
    return (
        3.4323
        - 0.8428 * np.exp(-80.2493 * left**1.3198)
        - 3.2474e-6 * np.exp(20.2645 * left**3.8003)
        + 3.2482e-6 * np.exp(20.2646 * left**3.7995)
    )


def _graphite(sto: Any) -> Any:
    return (
        0.6379
        + 0.5416 * np.exp(-305.5309 * sto)
        + 0.044 * np.tanh(-(sto - 0.1958) / 0.1088)
        - 0.1978 * np.tanh((sto - 1.0571) / 0.0854)
        - 0.6875 * np.tanh((sto + 0.0117) / 0.0529)
        - 0.0175 * np.tanh((sto - 0.5692) / 0.0875)
    )


POTENTIALS = {"Safari2011": (_graphite, _iron_phosphate)}
"""Open-circuit potentials in V over stoichiometry, negative and positive: M. Safari and
C. Delacourt, J. Electrochem. Soc. 158 (2011) A562, from memory."""


@dataclass(frozen=True)
class Solution:
    """One cell from 0 s on, evenly sampled, arrays of shape (n,): V at its terminals, V
    after endless rest from there (charge evened out), and °C; ``end`` in s, before which it may
    have ended at its lower voltage."""

    time: Array
    voltage: Array
    rest: Array
    temperature: Array
    end: float


def cached(make: Callable[P, R]) -> Callable[P, R]:
    """Keep what ``make`` returns on disk, by its name and arguments."""

    @functools.wraps(make)
    def kept(*args: P.args, **kwargs: P.kwargs) -> R:
        digest = hashlib.sha256(pybamm.__version__.encode())
        digest.update(pickle.dumps((make.__name__, args, sorted(kwargs.items()))))
        default = Path(tempfile.gettempdir()) / "sagline_trust"
        folder = Path(os.environ.get("SAGLINE_TRUST_CACHE", default))
        path = folder / f"{digest.hexdigest()[:40]}.pickle"
        try:
            found: R = pickle.loads(path.read_bytes())
        except (OSError, EOFError, pickle.UnpicklingError):
            found = make(*args, **kwargs)
            folder.mkdir(parents=True, exist_ok=True)
            part = path.with_suffix(f".{os.getpid()}")
            part.write_bytes(pickle.dumps(found))
            part.replace(path)
        return found

    return kept


def _plain(make: Make) -> Any:
    values = pybamm.ParameterValues(make.name)
    values["Lower voltage cut-off [V]"], values["Upper voltage cut-off [V]"] = make.empty, make.full
    values["Open-circuit voltage at 0% SOC [V]"] = make.empty
    values["Open-circuit voltage at 100% SOC [V]"] = make.full
    if make.potentials:
        negative, positive = POTENTIALS[make.potentials]
        values["Negative electrode OCP [V]"] = negative
        values["Positive electrode OCP [V]"] = positive
    return values


CONCENTRATIONS = (
    "Initial concentration in negative electrode [mol.m-3]",
    "Initial concentration in positive electrode [mol.m-3]",
)


@functools.cache
def _ends(make: Make) -> tuple[Array, Array]:
    """Return CONCENTRATIONS of an empty and of a full cell; between them they lie on a line."""
    found = []
    for charge in (0.0, 1.0):
        values = _plain(make)
        values.set_initial_state(charge)
        found.append(np.array([float(values[key]) for key in CONCENTRATIONS]))
    return found[0], found[1]


def _start(make: Make, charge: float, celsius: float) -> dict[str, float]:
    empty, full = _ends(make)
    at = dict(zip(CONCENTRATIONS, (empty + charge * (full - empty)).tolist(), strict=True))
    warm = celsius + KELVIN
    return at | {"Ambient temperature [K]": warm, "Initial temperature [K]": warm}


@cached
def charge_of(make: Make) -> float:
    """Return the Ah of the parameter set's cell between its voltages at rest."""
    empty, full = _ends(make)
    values = _plain(make)
    param = pybamm.LithiumIonParameters()
    share = (empty[1] - full[1]) / values["Maximum concentration in positive electrode [mol.m-3]"]
    values.update(_start(make, 1.0, 25.0))
    return float(share * values.evaluate(param.p.Q_init))


def solve(
    make: Make,
    times: Array,
    currents: Array,
    charge: float,
    celsius: float,
    lowest: float | None = None,
    every: float = SAMPLE,
) -> Solution:
    """Solve one cell from rest at ``charge`` (0 to 1) under ``currents`` in C (Ah of
    :func:`charge_of` an hour) at ``times`` in s, straight lines between, until the end or
    ``lowest`` V, a sample ``every`` s.

    Raises :data:`CannotSolve` where the cell cannot give that.
    """
    try:
        return _solve(make, times.tobytes(), currents.tobytes(), charge, celsius, lowest, every)
    except pybamm.SolverError as problem:
        raise CannotSolve(str(problem)) from problem


PLACES = (2, 64)
"""A model is built once for loads of up to so many places, and takes them as inputs; for a load of
more it is built anew, which costs less than so many inputs."""


@cached
def _solve(
    make: Make,
    times: bytes,
    currents: bytes,
    charge: float,
    celsius: float,
    lowest: float | None,
    every: float,
) -> Solution:
    at, load = np.frombuffer(times), np.frombuffer(currents) * charge_of(make)
    grid = np.arange(0.0, at[-1], every)
    inputs: dict[str, Any] = _start(make, charge, celsius)
    # The model's own end is only wanted where a lowest voltage is asked for.
    inputs["Lower voltage cut-off [V]"] = 0.3 if lowest is None else lowest
    count = next((count for count in PLACES if count >= len(at)), None)
    if count is None:
        simulation = _simulation(make, {**inputs, CURRENT: pybamm.Interpolant(at, load, pybamm.t)})
        inputs = {}
    else:
        begin, bend = np.full((count, 1), 1e9), np.zeros((count, 1))
        begin[: len(at) - 1, 0] = at[:-1]
        bend[: len(at) - 1, 0] = np.diff(np.diff(load) / np.diff(at), prepend=0.0)
        inputs |= {"first": load[0], "begin": begin, "bend": bend}
        simulation = _any_load(make, count)
    solved = simulation.solve([0.0, float(at[-1])], t_interp=grid, inputs=inputs)
    end = float(solved.t[-1])
    grid = grid[grid <= end]
    voltage, rest, warm = (np.interp(grid, solved.t, solved[name].data) for name in OUTPUTS)
    return Solution(grid, voltage, rest, warm - KELVIN, end)


CURRENT = "Current function [A]"
OUTPUTS = (
    "Terminal voltage [V]",
    "Bulk open-circuit voltage [V]",
    "Volume-averaged cell temperature [K]",
)


def _simulation(make: Make, changes: dict[str, Any]) -> Any:
    values = _plain(make)
    values["Upper voltage cut-off [V]"] = 6.0
    values.update(changes, check_already_exists=False)
    model = getattr(pybamm.lithium_ion, make.model)({"thermal": "lumped"} if make.heat else {})
    solver = pybamm.IDAKLUSolver(rtol=1e-5, atol=1e-7, output_variables=list(OUTPUTS))
    return pybamm.Simulation(model, parameter_values=values, solver=solver)


@functools.cache
def _any_load(make: Make, count: int) -> Any:
    """Return a simulation whose load is ``first`` A and bends by ``bend`` A/s at ``begin`` s."""
    begin, bend = (pybamm.InputParameter(name, expected_size=count) for name in ("begin", "bend"))
    turns = bend * pybamm.maximum(0.0, pybamm.t - begin)
    current = pybamm.InputParameter("first") + pybamm.Matrix(np.ones((1, count))) @ turns
    given = dict.fromkeys((*_start(make, 1.0, 25.0), "Lower voltage cut-off [V]"), "[input]")
    return _simulation(make, {**given, CURRENT: current})


@cached
def curve_of(make: Make) -> tuple[Array, Array]:
    """Return states of charge 0 to 1 and V after endless rest there, shapes (201,)."""
    slow = 1 / 400  # C: so slow that the charge is even, and only the rest voltage is read
    hours = 1 / slow
    found = solve(
        make,
        np.array([0.0, 3600 * hours]),
        np.array([slow, slow]),
        1.0,
        25.0,
        make.empty,
        every=1000.0,
    )
    charge = 1.0 - found.time / 3600 * slow
    states = np.linspace(0.0, 1.0, 201)
    return states, np.interp(states, charge[::-1], found.rest[::-1])


@cached
def rated_of(make: Make) -> float:
    """Return the share of :func:`charge_of` that a discharge at C/5 and 25 °C gives down to the
    lower voltage: what a data sheet states."""
    found = solve(
        make, np.array([0.0, 20000.0]), np.array([0.2, 0.2]), 1.0, 25.0, make.empty, every=100.0
    )
    return float(found.end * 0.2 / 3600)


def pulse(make: Make, charge: float, celsius: float, rate: float) -> tuple[float, float]:
    """Return the V lost after 0.1 s and after 10 s of a load of ``rate`` C from rest."""
    found = solve(make, np.array([0.0, 10.2]), np.array([rate, rate]), charge, celsius)
    rest = float(found.rest[0])
    late = float(np.interp(10.0, found.time, found.voltage))
    return rest - float(found.voltage[1]), rest - late
