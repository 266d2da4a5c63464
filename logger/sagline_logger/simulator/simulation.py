"""A ride from the first descriptor to the last frame."""

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

from .. import format as wire
from . import clock as device_clock
from .clock import DeviceClock
from .faults import FaultChange
from .kestrel import KESTREL
from .ledger import Ledger
from .limits import Decider
from .machine import Machine
from .parameters import BoardParameters
from .rider import Rider
from .rides import BREAD_RUN
from .scenario import Leg, PackSwap, Scenario
from .sensors import Sampler, SensorStream, standard_streams, without_noise

STEP = 5_000
"""µs: the usual integration step.  The fastest thing integrated, the speed, moves in seconds."""

HANDS = 10_000
"""µs between movements of the rider's hands."""

SLOW = 50_000
"""µs between refreshes of everything slow."""

DESCRIBE = 2_000_000
"""µs between repeats of the board's description."""

STALLED = 4_000_000
"""µs of standing still with the throttle open after which a rider gives a leg up."""


@dataclass(frozen=True, slots=True)
class Transmission:
    """One frame the board sends ``time`` µs after the simulation began, power-off included.

    ``data`` are the bytes on the wire: the frame, and before the first of each start a lone zero,
    which ends whatever noise has begun.  ``rows`` are a SAMPLES record's raw samples in channel
    order, empty for other records.
    """

    time: int
    record: wire.Board | wire.Stream | wire.Samples | wire.Event
    data: bytes
    rows: tuple[tuple[int | float, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class LimitChange:
    """From ``clock`` of ``boot`` on (``time`` µs of the simulation), ``limit`` decides the current
    of ``motor``, until the next change."""

    time: int
    boot: int
    clock: int
    motor: int
    limit: Decider


class Simulation:
    """A board on a ride.  Iterate :meth:`run`; the same arguments give the same bytes.

    ``seconds`` of simulated time; None rides the scenario once.  ``step`` in µs is the integration
    step; every stream's period must be a multiple of it.
    """

    def __init__(
        self,
        board: BoardParameters = KESTREL,
        scenario: Scenario = BREAD_RUN,
        streams: tuple[SensorStream, ...] | None = None,
        clock: DeviceClock | None = None,
        seed: int = 1,
        seconds: float | None = None,
        step: int = STEP,
    ) -> None:
        if step <= 0 or HANDS % step:
            raise wire.SaglineError(f"a step of {step} µs does not divide {HANDS} µs")
        self.step = step
        self.scenario = scenario
        self.streams = standard_streams(board) if streams is None else streams
        if scenario.trace is not None:  # the speed channel promises the trace, to the quantum
            self.streams = without_noise(self.streams, "speed")
        for plan in self.streams:
            if plan.period % step or plan.period <= 0:
                raise wire.SaglineError(
                    f"a period of {plan.period} µs is no multiple of {step} µs", where=plan.name
                )
            if not 1 <= plan.samples_per_frame <= 255:
                raise wire.SaglineError(
                    f"{plan.samples_per_frame} samples a frame, outside 1 to 255", where=plan.name
                )
        # Nothing is sent at other times, so most steps need no look at the streams.
        self._tick = math.gcd(DESCRIBE, SLOW, *(plan.period for plan in self.streams))
        self.clock = DeviceClock() if clock is None else clock
        self.end = None if seconds is None else round(seconds * 1e6)
        if scenario.charge is not None:
            board = replace(board, pack=replace(board.pack, initial_charge=scenario.charge))
        self.machine = Machine(board, scenario.route, scenario.air, seed, step / 1e6, SLOW / 1e6)
        self.limit_changes: list[LimitChange] = []
        """Which limit decided, for every step and motor; grows while the simulation runs."""
        self.time = 0
        self.boot = self.clock.boot
        self._clock_start = self.clock.start
        self._elapsed = 0
        self._seed = seed
        self._chance = random.Random(f"noise {seed}")
        self._rider = Rider(seed, HANDS / 1e6)
        self._changes: list[FaultChange] = []
        self._ride_start = 0
        self._power_on()

    @property
    def ledger(self) -> Ledger:
        """Where the energy went so far."""
        return self.machine.ledger()

    @property
    def clock_now(self) -> int:
        """The device's 32-bit clock in µs."""
        return device_clock.reading(self._clock_start, self._elapsed)

    # ---------------------------------------------------------------- sending

    def run(self) -> Iterator[Transmission]:
        """Ride, yielding every frame in the order it is sent."""
        steps = self._ride()
        while True:
            # The state now is the outcome of all steps so far: samples come before the next step.
            if self._elapsed % self._tick == 0:
                yield from self._send()
            if self.end is not None and self.time >= self.end:
                break
            swap = next(steps, _END)
            if isinstance(swap, PackSwap):
                self._swap(swap)
            elif swap is _END:
                break
        yield from self._flush()

    def _power_on(self) -> None:
        self._elapsed = 0
        self._silent = True
        self._events = 0
        self._samplers = [Sampler(plan, self.machine, self._chance) for plan in self.streams]
        self._waiting: list[list[tuple[int | float, ...]]] = [[] for _ in self.streams]
        self._sequences = [0] * len(self.streams)
        self._descriptions = self._describe()
        self._limits: list[Decider | None] = [None] * len(self.machine.drives)
        self._note_limits()

    def _describe(self) -> tuple[wire.Stream, ...]:
        return tuple(
            wire.Stream(
                boot=self.boot,
                revision=1,
                stream=plan.stream,
                name=plan.name,
                period=plan.period,
                channels=tuple(one.channel for one in plan.sensors),
            )
            for plan in self.streams
        )

    def _send(self) -> Iterator[Transmission]:
        if self._elapsed % DESCRIBE == 0:
            board = wire.Board(
                boot=self.boot,
                clock=self.clock_now,
                revision=1,
                streams=len(self.streams),
                name=self.machine.board.name,
                firmware=self.machine.board.firmware,
            )
            descriptor: tuple[wire.Board | wire.Stream, ...] = (board, *self._descriptions)
            for record in descriptor:
                yield self._transmission(record)
        for change in self._changes:
            yield self._transmission(
                self._event(
                    wire.EventKind.FAULT if change.raised else wire.EventKind.FAULT_CLEARED,
                    change.number,
                    change.index,
                    change.text,
                )
            )
        self._changes.clear()
        for at, plan in enumerate(self.streams):
            if self._elapsed % plan.period == 0:
                waiting = self._waiting[at]
                waiting.append(self._samplers[at].sample())
                if len(waiting) == plan.samples_per_frame:
                    yield self._samples(at, self._elapsed)

    def _flush(self) -> Iterator[Transmission]:
        """Send what waits for a full frame: the end of a simulation is not a loss of power."""
        for at, plan in enumerate(self.streams):
            if self._waiting[at]:
                yield self._samples(at, self._elapsed - self._elapsed % plan.period)

    def _samples(self, at: int, last: int) -> Transmission:
        plan, description = self.streams[at], self._descriptions[at]
        rows = tuple(self._waiting[at])
        first = last - (len(rows) - 1) * plan.period
        record = wire.Samples(
            boot=self.boot,
            stream=plan.stream,
            revision=1,
            sequence=self._sequences[at],
            clock=device_clock.reading(self._clock_start, first),
            count=len(rows),
            data=b"".join(description.layout.pack(*row) for row in rows),
        )
        self._sequences[at] += len(rows)
        self._waiting[at].clear()
        return self._transmission(record, rows)

    def _event(self, kind: wire.EventKind, number: int, index: int, text: str) -> wire.Event:
        event = wire.Event(self.boot, self._events, self.clock_now, kind, number, index, text)
        self._events += 1
        return event

    def _transmission(
        self,
        record: wire.Board | wire.Stream | wire.Samples | wire.Event,
        rows: tuple[tuple[int | float, ...], ...] = (),
    ) -> Transmission:
        data = wire.encode_frame(record.encode())
        if self._silent:
            self._silent = False
            data = b"\0" + data
        return Transmission(self.time, record, data, rows)

    # ---------------------------------------------------------------- riding

    def _ride(self) -> Iterator[PackSwap | None]:
        """Move the machine on; yield None after every step and a pack swap when one is due.

        With an end time given the ride starts over until then; without, it is ridden once.
        """
        while True:
            self._ride_start = self.time
            if self.scenario.trace is None:
                yield from self._ride_legs()
            else:
                yield from self._ride_trace()
            if self.end is None:
                return
            if self.scenario.between is not None:
                yield from self._ride_leg(_STOP)
                yield self.scenario.between
            self.machine.return_to_start()

    def _ride_legs(self) -> Iterator[PackSwap | None]:
        for leg in self.scenario.legs:
            if isinstance(leg, PackSwap):
                yield from self._ride_leg(_STOP)  # nobody pulls the plug while rolling
                yield leg
            else:
                yield from self._ride_leg(leg)

    def _ride_leg(self, leg: Leg) -> Iterator[None]:
        machine, rider = self.machine, self._rider
        rider.begin()
        elapsed, stalled, limit = 0, 0, round(leg.seconds * 1e6)
        throttle, brake = rider.throttle, rider.brake
        while elapsed < limit and stalled < STALLED and not self._leg_done(leg):
            if elapsed % HANDS == 0:
                throttle, brake = rider.act(leg, machine.speed, machine.faults.drive_cut)
            machine.ride(throttle, brake)
            self._step_done()
            elapsed += self.step
            stalled = stalled + self.step if machine.speed == 0.0 and throttle > 0.0 else 0
            yield None

    def _leg_done(self, leg: Leg) -> bool:
        machine = self.machine
        if leg.until_distance is not None and machine.distance >= leg.until_distance:
            return True
        if machine.speed > 0.0:
            return False
        # With the drive cut there is no getting to the end of a leg that means to move.
        return leg.until_stopped or (leg.target_speed > 0.0 and machine.faults.drive_cut)

    def _ride_trace(self) -> Iterator[None]:
        trace, machine = self.scenario.trace, self.machine
        assert trace is not None
        machine.launch(trace.speed(0.0))
        for elapsed in range(self.step, round(trace.duration * 1e6) + 1, self.step):
            machine.follow(trace.speed(elapsed / 1e6))
            self._step_done()
            yield None

    def _step_done(self) -> None:
        self._elapsed += self.step
        self.time += self.step
        if self._elapsed % SLOW == 0:
            self._changes += self.machine.settle()
            self._set_dropouts()
        self._note_limits()

    def _note_limits(self) -> None:
        for at, drive in enumerate(self.machine.drives):
            if drive.limit is not self._limits[at]:
                self._limits[at] = drive.limit
                self.limit_changes.append(
                    LimitChange(self.time, self.boot, self.clock_now, at + 1, drive.limit)
                )

    def _set_dropouts(self) -> None:
        if not self.scenario.dropouts:
            return
        now = (self.time - self._ride_start) / 1e6
        loose = {
            (one.name, one.index) for one in self.scenario.dropouts if one.start <= now < one.stop
        }
        for sampler in self._samplers:
            sampler.loose = loose

    def _swap(self, swap: PackSwap) -> None:
        """Lose power with whatever waited to be sent, and start again with another pack."""
        self.machine.rest(swap.seconds)
        self.machine.swap_pack(swap.charge, swap.weak)
        self.time += round(swap.seconds * 1e6)
        self.boot = (self.boot + 1) % (1 << 16)
        self._clock_start = 0
        self._changes.clear()
        self._power_on()


_END = object()

_STOP = Leg("stop", 0.0, until_stopped=True)
