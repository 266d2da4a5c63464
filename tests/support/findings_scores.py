"""How right the findings about a ride are, held against what the simulator knows."""

from collections import Counter
from dataclasses import dataclass

from sagline_analyser.findings.held_back import CAUSES, Cause, held_back
from sagline_logger.simulator import Limit
from support.simulated_rides import SimulatedRide

TRUTH = {
    Limit.MOTOR_CURRENT: Cause.MOTOR_CURRENT,
    Limit.BATTERY_CURRENT: Cause.BATTERY_CURRENT,
    Limit.DUTY_CEILING: Cause.DUTY,
    Limit.MOTOR_TEMPERATURE: Cause.HEAT,
    Limit.CONTROLLER_TEMPERATURE: Cause.HEAT,
    Limit.LOW_VOLTAGE: Cause.LOW_VOLTAGE,
    Limit.FAULT: Cause.UNKNOWN,
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
    for motor in held_back(simulated.ride, simulated.board_file).motors:
        hard = motor.hard
        truths = simulated.limit_at(motor.motor, motor.time[hard])
        for true, code, step in zip(truths, motor.cause[hard], motor.step[hard], strict=True):
            seconds[TRUTH.get(true, Cause.RIDER), CAUSES[code]] += float(step)
    return Attribution(seconds)
