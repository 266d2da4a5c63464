"""The simulated board: a machine with motors, a pack, heat, limits and a rider, which sends frames.

Everything here is computed from stated physics with a fixed step; the same seed gives the same
bytes.  It imports :mod:`sagline_logger.format` and nothing else of the logger.
"""

from .clock import DeviceClock
from .kestrel import KESTREL
from .ledger import Ledger
from .limits import Decider
from .parameters import BoardParameters
from .random_board import random_board
from .rides import BREAD_RUN, HILL_CLIMB, LAUNCHES, RIDES, TOWN_LOOP
from .route import Route
from .scenario import Dropout, Leg, PackSwap, Scenario, SpeedTrace, read_trace, trace_scenario
from .sensors import Sensor, SensorStream, sensor, standard_streams, wide_streams
from .settings import apply_settings
from .simulation import LimitChange, Simulation, Transmission
from .truth import TruthFile

__all__ = [
    "BREAD_RUN",
    "HILL_CLIMB",
    "KESTREL",
    "LAUNCHES",
    "RIDES",
    "TOWN_LOOP",
    "BoardParameters",
    "Decider",
    "DeviceClock",
    "Dropout",
    "Ledger",
    "Leg",
    "LimitChange",
    "PackSwap",
    "Route",
    "Scenario",
    "Sensor",
    "SensorStream",
    "Simulation",
    "SpeedTrace",
    "Transmission",
    "TruthFile",
    "apply_settings",
    "random_board",
    "read_trace",
    "sensor",
    "standard_streams",
    "trace_scenario",
    "wide_streams",
]
