"""How right the findings about a ride are, held against what the simulator knows."""

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from sagline_analyser.findings.drive.held_back import CAUSES, Cause, held_back
from sagline_analyser.findings.heat import TimeToLimit, part_heat
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.findings.readings.series import column
from sagline_logger.simulator import Decider, heat
from sagline_logger.simulator import motor as machine
from support.simulated_rides import SimulatedRide

TRUTH = {
    Decider.MOTOR_CURRENT: Cause.MOTOR_CURRENT,
    Decider.BATTERY_CURRENT: Cause.BATTERY_CURRENT,
    Decider.DUTY_CEILING: Cause.DUTY,
    Decider.MOTOR_TEMPERATURE: Cause.HEAT,
    Decider.CONTROLLER_TEMPERATURE: Cause.HEAT,
    Decider.LOW_VOLTAGE: Cause.LOW_VOLTAGE,
    Decider.FAULT: Cause.UNKNOWN,
}
"""What the simulator calls it; whatever is missing (none, braking's own) is the rider's input."""


@dataclass(frozen=True)
class Attribution:
    """Seconds of hard demand by (true cause, found cause), over all motors."""

    seconds: Counter[tuple[Cause, Cause]]

    @property
    def whole(self) -> float:
        """All s of hard demand."""
        return sum(self.seconds.values())

    @property
    def right(self) -> float:
        """The s that were put down to their true cause."""
        return sum(s for (true, found), s in self.seconds.items() if true is found)


def score_attribution(simulated: SimulatedRide) -> Attribution:
    """Compare every sample of hard demand with the limit that decided it."""
    seconds: Counter[tuple[Cause, Cause]] = Counter()
    for motor in held_back(Gathered(simulated.ride, simulated.board_file)).motors:
        hard = motor.hard
        truths = simulated.limit_at(motor.motor, motor.time[hard])
        for true, code, step in zip(truths, motor.cause[hard], motor.step[hard], strict=True):
            seconds[TRUTH.get(true, Cause.RIDER), CAUSES[code]] += float(step)
    return Attribution(seconds)


@dataclass(frozen=True)
class HeatScore:
    """One time to a limit: the simulator's own and the finding's.  ``told`` is False where the
    finding itself says that the ride was too short or too gentle to tell."""

    part: str
    cold: bool
    true: float
    found: TimeToLimit
    told: bool

    @property
    def error(self) -> float:
        """Relative error of the likely time; infinite when one reaches the limit and the other
        does not."""
        if math.isinf(self.true) and math.isinf(self.found.likely):
            return 0.0
        return self.found.likely / self.true - 1

    @property
    def covered(self) -> bool:
        """Whether the true time lies in the stated interval."""
        return self.found.low <= self.true <= self.found.high


def score_heat(simulated: SimulatedRide) -> Iterator[HeatScore]:
    """Compare times to a limit at 80 % of the motor-current limit, the ride's speed and air.

    The limit is the board file's for motors; controllers of these boards never reach theirs, so
    theirs is 10 K above the warmest they got.  Times below 5 s are left out: there 15 % is less
    than the sensor's interval.
    """
    for number, drive in enumerate(simulated.board.drives, 1):
        current = 0.8 * drive.controller.limits.motor_current
        for kind in ("motor", "controller"):
            limit = None
            if kind == "controller":
                warmest = column(simulated.ride, f"controller_temperature_{number}")
                assert warmest is not None
                limit = float(warmest.value.max()) + 10
            key = f"{kind}_temperature_{number}"
            part = part_heat(Gathered(simulated.ride, simulated.board_file), key, current, limit)
            if part.cold is None or part.now is None:
                continue
            assert part.limit is not None
            for cold, found in ((True, part.cold), (False, part.now)):
                told = not part.reason
                true = true_time(
                    simulated, number, kind, current, part.limit, part.air, part.speed, cold
                )
                if true >= 5:
                    yield HeatScore(kind, cold, true, found, told)


def true_time(
    simulated: SimulatedRide,
    number: int,
    kind: str,
    current: float,
    limit: float,
    air: float,
    speed: float,
    cold: bool,
    step: float = 0.25,
) -> float:
    """Return the s that the simulator's own motor or controller takes to ``limit`` °C."""
    drive = simulated.board.drives[number - 1]
    winding, case, stage = (air, air, air) if cold else simulated.warmth[number - 1]
    parts, power = drive.motor, drive.controller
    turning = speed * 2 * drive.wheel.gear_ratio / drive.wheel.diameter
    iron = machine.drag_torque(parts.static_drag, parts.speed_drag, turning) * turning
    volts = column(simulated.ride, "pack_voltage")
    assert volts is not None
    switching = machine.switching_voltage(
        float(np.mean(volts.value)), power.transition_time, power.switching_frequency
    )
    lost = power.resistance * current**2 + switching * current + power.standby
    passed = 0.0
    while passed < 3600:
        if (winding if kind == "motor" else stage) >= limit:
            return passed
        copper = machine.phase_resistance(parts.resistance, winding) * current**2
        winding, case = heat.warm_two(
            winding, case, copper, iron, air, (parts.winding, parts.case), speed, step
        )
        stage = heat.warm(
            stage, lost, air, power.heat.capacity, heat.conductance(power.heat, speed), step
        )
        passed += step
    return math.inf
