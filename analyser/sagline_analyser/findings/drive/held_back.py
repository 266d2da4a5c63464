"""What held the vehicle back whenever its rider asked for a lot.

A controller grants the rider's request until the first of its limits stops it, so at any moment one
thing decides a motor's current: the request itself or the tightest limit.  Each sample is compared
with every limit that is known (from the limits in force if the board logs them, else from the
settings, else from the level at which the ride shows the quantity held flat), and the one that the
measured value touches, within noise, is what decided.  A current below every known limit and below
the request can only come from a limit that moved: heat if it follows a temperature, low voltage if
it follows the voltage.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from ..readings.around import around, running
from ..readings.gathered import Gathered
from ..readings.series import Array, Flags
from ..readings.unknown import NotKnown
from ..telling.answer import Answer, Figure, Urgency
from ..telling.picture import Shares
from .demand import MotorDemand, Pull, find_pulls, one_by_one, samples_of
from .derating import Cuts, cold, follow_moved_limits, why_lowered
from .settings_in_force import SettingInForce, Shows, of_drives, setting_words

HARD = 0.9
"""Throttle, as a share of its travel, from which demand counts as hard (our choice)."""

OPEN = 0.85
"""Throttle below which it is itself the reason for what no limit explains (our choice)."""

SHORT = 0.12
"""s over which a flicker between two causes is settled by the majority (our choice)."""

RAMP = 0.4
"""s that a current may lag behind a throttle that moved or a brake let go (our choice)."""

LEAST_LACK, STEEPEST = 0.01, 3.0
"""Share of its travel by which a throttle must be below full to be the reason for anything, and how
many times as far below its limit it may leave the current: no curve is steeper (our choice)."""

STILL, LEAST_SHORT, SURELY = 0.005, 0.006, 3.0
"""Share of its travel by which a hand that stands still may move from one reading to the next,
least share by which the current then lies below its limit where the hand held it there, and the
same in standard errors of the readings' middle (our choice)."""

LOWERED = 0.999
"""Share of its highest value from which a limit in force counts as not lowered (our choice)."""

MATTERS = 0.1
"""Share of a pull from which a limit counts as having mattered to it (our choice)."""

NO_MATTER = 0.03
"""Most of the time in which the motor-current limit, or a cause not known, may have decided where a
higher setting is said not to have mattered (our choice)."""

BEFORE_RAISING = (
    "Before a setting is raised, hold the new figure against the rating of every part in its path "
    "(motor, controller, leads, connectors, fuse, cells): more current is more heat in all of them."
)

BLOCK = 1 << 16
"""Samples held against the limits together."""

NONE_SEEN = Cuts()

KEY, QUESTION = "held_back", "What held it back when the rider asked for a lot?"


class Cause(StrEnum):
    """What decided a motor's current."""

    MOTOR_CURRENT = "motor-current limit"
    BATTERY_CURRENT = "battery-current limit"
    DUTY = "duty ceiling"
    HEAT = "heat"
    LOW_VOLTAGE = "low voltage"
    RIDER = "the rider's own input"
    UNKNOWN = "something this log does not show"


CAUSES = tuple(Cause)
Codes = npt.NDArray[np.int8]
"""Index into :data:`CAUSES` for each sample."""
(_MOTOR, _BATTERY, _DUTY, _HEAT, _LOW, _RIDER, _UNKNOWN) = range(len(CAUSES))


@dataclass(frozen=True)
class Level:
    """A limit used: ``value`` in ``unit`` and where it came from ("setting", "seen held", …);
    ``stated`` is what the settings say."""

    cause: Cause
    value: float
    unit: str
    source: str
    stated: float | None = None


@dataclass(frozen=True)
class MotorCauses:
    """What decided the current of one motor, sample by sample.

    ``time`` in s, ``cause`` as codes of :data:`CAUSES`, ``hard`` where the demand was hard,
    ``doubtful`` where two causes lay within the noise of each other, ``near_motor`` where one of
    them was the motor-current limit, ``step`` the s each sample stands for; all of shape (n,).
    """

    motor: int
    time: Array
    cause: Codes
    hard: Flags
    doubtful: Flags
    step: Array
    levels: tuple[Level, ...]
    near_motor: Flags


@dataclass(frozen=True)
class Share:
    """``share`` (0 to 1) of the time in question that ``cause`` decided, with the half-width of
    what the doubtful samples could move it by."""

    cause: Cause
    share: float
    seconds: float
    uncertainty: float


@dataclass(frozen=True)
class PullFinding:
    """One launch or pull: shares over it, and whether a higher motor-current setting could have
    mattered there (None: cannot be told), with the reason in words."""

    pull: Pull
    shares: tuple[Share, ...]
    motor_setting_matters: bool | None
    because: str


@dataclass(frozen=True)
class HeldBack:
    """The whole ride.  Where nothing can be said ``unknown`` says why and the rest is empty.

    ``shares`` are over the time of hard demand, ``hard_seconds``, averaged over the motors.
    """

    shares: tuple[Share, ...] = ()
    hard_seconds: float = 0.0
    pulls: tuple[PullFinding, ...] = ()
    motors: tuple[MotorCauses, ...] = ()
    evidence: tuple[tuple[float, float], ...] = ()
    unknown: NotKnown | None = None
    settings: tuple[SettingInForce, ...] = ()


def held_back(it: Gathered) -> HeldBack:
    """Attribute every moment of hard demand to what decided the motor current."""
    builds = one_by_one(it)
    if isinstance(builds, NotKnown):
        return HeldBack(unknown=builds)
    found, told = [], []
    for build in builds:
        drive = build()
        told.append(_attribute(drive))
        found.append(_slim(drive))
        del drive
    seen = Cuts()
    for _, cuts in sorted(told, key=lambda one: -(one[1].low or 0.0)):
        seen = seen.with_those_of(cuts)
    told = [
        (motor, cuts) if cuts.with_those_of(seen) == cuts else _attribute(build(), seen)
        for build, (motor, cuts) in zip(builds, told, strict=True)
    ]
    motors = tuple(motor for motor, _ in told)
    pulls = find_pulls(found[0], HARD)
    stated = of_drives(it, found)
    hard_seconds = float(np.mean([np.sum(m.step[m.hard]) for m in motors]))
    if hard_seconds <= 0:
        return HeldBack(
            motors=motors,
            unknown=NotKnown("the rider never asked for a lot on this ride"),
            settings=stated,
        )
    everywhere = [m.hard for m in motors]
    return HeldBack(
        _shares(motors, everywhere),
        hard_seconds,
        tuple(_judge(pull, found, motors) for pull in pulls),
        motors,
        _stretches(motors[0]),
        settings=stated,
    )


def _slim(drive: MotorDemand) -> MotorDemand:
    """Return what is needed of a drive once its samples are attributed: less memory."""
    slim = replace(drive, request=None, curve=None, request_tolerance=np.zeros(0), temperatures=())
    slim.pulls.update(drive.pulls)
    return slim


# -------------------------------------------------------------------- one motor, sample by sample


def _attribute(drive: MotorDemand, elsewhere: Cuts = NONE_SEEN) -> tuple[MotorCauses, Cuts]:
    """Attribute each sample of one motor; what is not hard demand is attributed as well.

    Also returns the cut-backs that it shows; ``elsewhere`` are those of the other motors.
    """
    cause, doubtful, near_motor = _touched(drive)
    asks = np.zeros(len(cause), bool)
    if drive.curve is not None:
        asks = np.abs(drive.curve - drive.current) < drive.request_tolerance
    if drive.throttle is not None:
        cause[_hand_below(drive, cause)] = _RIDER
        # The current follows a hand that moves, or a brake let go, only after a ramp.
        half, ramping, nearly = drive.throttle < OPEN, drive.ramping(RAMP), _nearly_full(drive)
        cause[(cause == _UNKNOWN) & asks & half] = _RIDER
        cause, begins = _moved(drive, cause, ramping, nearly, elsewhere)
        _reached_next(drive, cause, ramping)
        cause[(cause == _UNKNOWN) & (ramping | nearly)] = _RIDER
        # What no limit explains at a half-open throttle, the throttle does.
        cause[(cause == _UNKNOWN) & (asks | half) & ~drive.full] = _RIDER
    else:
        none = np.zeros(len(cause), bool)
        cause, begins = _moved(drive, cause, none, none, elsewhere)
    cause = _settle(cause, drive.time, drive.step, drive.gap)
    levels = [
        Level(named, float(np.nanmax(limit.value)), unit, limit.source, limit.stated)
        for named, limit, unit in (
            (Cause.MOTOR_CURRENT, drive.motor_limit, "A"),
            (Cause.BATTERY_CURRENT, drive.battery_limit, "A"),
            (Cause.DUTY, drive.duty_limit, "1"),
        )
        if limit is not None
    ]
    hard = drive.hard(HARD)
    return MotorCauses(
        drive.motor, drive.time, cause, hard, doubtful, drive.step, tuple(levels), near_motor
    ), begins


def _touched(drive: MotorDemand) -> tuple[Codes, Flags, Flags]:
    """Return the limit nearest to each sample among those it touches, where it touches two, and
    where one of these is the motor-current limit."""
    count = len(drive.time)
    cause, doubtful = np.full(count, _UNKNOWN, np.int8), np.zeros(count, bool)
    near_motor = np.zeros(count, bool)
    bounds = [
        (code, limit.value, value, limit.tolerance)
        for code, limit, value in (
            (_MOTOR, drive.motor_limit, drive.current),
            (_BATTERY, drive.battery_limit, drive.battery),
            (_DUTY, drive.duty_limit, drive.duty),
        )
        if limit is not None and value is not None
    ]
    nearest = np.full(count, np.inf, np.float32)
    parts = [slice(start, min(start + BLOCK, count)) for start in range(0, count, BLOCK)]

    def touch(code: int, part: slice, slack: Array) -> None:
        # How far below a limit the value lies, in units of its own noise; below 1 it touches.
        found, most = cause[part], nearest[part]
        near = slack < 1.0  # what is not known touches nothing
        if code == _MOTOR:
            near_motor[part] = near
        doubtful[part] |= near & (found != _UNKNOWN)
        np.abs(slack, out=slack)
        near &= slack < most
        found[near], most[near] = code, slack[near]

    for code, level, value, tolerance in bounds:  # one at a time: a long ride's are large
        even = drive.axis.reading(value).even
        for part in parts:
            touch(code, part, (level[part] - even[part]) / tolerance)
        del even
    for part in parts if drive.request is not None else ():
        assert drive.request is not None
        slack = (drive.request[part] - drive.current[part]) / drive.request_tolerance[part]
        if drive.motor_limit is not None:
            # All of the throttle asks for the limit itself: then it is the limit that decides.
            same = drive.request[part] > 0.97 * drive.motor_limit.value[part]
            slack[drive.full[part] & same] = np.inf
        touch(_RIDER, part, slack)
    return cause, doubtful, near_motor


def _moved(
    drive: MotorDemand, cause: Codes, ramping: Flags, nearly: Flags, elsewhere: Cuts
) -> tuple[Codes, Cuts]:
    """Tell heat from low voltage wherever a limit was lower than at its highest."""
    cause = cause.copy()
    for code, limit in ((_MOTOR, drive.motor_limit), (_BATTERY, drive.battery_limit)):
        if limit is not None and limit.source == "in force":
            lowered = (cause == code) & (limit.value < LOWERED * np.nanmax(limit.value))
            cause[lowered] = (_UNKNOWN if cold(drive) else _HEAT) if code == _MOTOR else _LOW
            if code == _MOTOR:
                cause[why_lowered(drive, limit.value, lowered) & lowered] = _LOW
    unknown = cause == _UNKNOWN
    heat, low, begins = follow_moved_limits(
        drive, unknown, ramping, nearly, cause == _MOTOR, cause == _BATTERY, elsewhere
    )
    cause[heat] = _HEAT
    cause[low] = _LOW
    return cause, begins


def _reached_next(drive: MotorDemand, cause: Codes, ramping: Flags) -> None:
    """Give a current that still rises at full throttle to the limit that it reaches."""
    rises = (cause == _UNKNOWN) & ramping & drive.full
    ends = np.flatnonzero(~rises)
    at = np.flatnonzero(rises)
    place = np.searchsorted(ends, at)
    at, place = at[place < len(ends)], place[place < len(ends)]
    then = ends[place]
    broken = np.cumsum(drive.gap)
    near = (drive.time[then] - drive.time[at] <= RAMP) & (broken[then] == broken[at])
    near &= drive.full[then] & (cause[then] != _RIDER) & (drive.current[then] > drive.current[at])
    cause[at[near]] = cause[then[near]]


def _nearly_full(drive: MotorDemand) -> Flags:
    """Return where the hand, a little below full, explains a current a little below its limit."""
    if drive.throttle is None or drive.motor_limit is None:
        return np.zeros(len(drive.time), bool)
    whole = np.nanquantile(drive.throttle, 0.999) if np.isfinite(drive.throttle).any() else 0.0
    if not whole > 0:
        return np.zeros(len(drive.time), bool)
    found = np.empty(len(drive.time), bool)
    for start in range(0, len(found), BLOCK):  # no tables as long as the ride
        part = slice(start, start + BLOCK)
        lacks = 1 - drive.throttle[part] / whole
        with np.errstate(divide="ignore", invalid="ignore"):  # of no known limit: 0 or NaN
            short = 1 - drive.current[part] / drive.motor_limit.value[part]
        found[part] = (lacks > LEAST_LACK) & (short < STEEPEST * lacks)
    return found


def _hand_below(drive: MotorDemand, cause: Codes) -> Flags:
    """Return where a hand that stood still a little below full held the current a little below the
    motor-current limit: each reading touches the limit within its noise, their middle does not."""
    found = np.zeros(len(cause), bool)
    limit, throttle = drive.motor_limit, drive.throttle
    if throttle is None or limit is None or limit.held is None or not np.isfinite(throttle).any():
        return found
    whole = float(np.nanquantile(throttle, 0.999))
    if not whole > 0:
        return found
    asked = cause == _MOTOR
    for start in range(0, len(asked), BLOCK):  # no tables as long as the ride
        hand = throttle[start : start + BLOCK]
        stirred = np.abs(np.diff(hand, prepend=throttle[max(start - 1, 0)])) > STILL
        asked[start : start + BLOCK] &= (1 - hand / whole > LEAST_LACK) & ~stirred
    at = np.flatnonzero(asked)
    if not len(at):
        return found
    when, hand = drive.time[at], throttle[at]
    lacks = 1 - hand / whole
    with np.errstate(divide="ignore", invalid="ignore"):
        short = 1 - drive.current[at] / limit.value[at]
    # Runs of one hand: a few readings that touch nothing do not break one.
    apart = (np.diff(when) > SHORT) | (np.abs(np.diff(hand)) > STILL)
    for run in np.split(np.arange(len(at)), np.flatnonzero(apart) + 1):
        if when[run[-1]] - when[run[0]] < RAMP:
            continue
        middle = float(np.median(short[run]))
        if not np.isfinite(middle):  # a limit of 0 A: no current comes near it
            continue
        noise = 1.48 * float(np.median(np.abs(short[run] - middle)))
        least = max(LEAST_SHORT, SURELY * noise / np.sqrt(len(run)))
        found[at[run]] = least < middle < STEEPEST * float(np.median(lacks[run]))
    return found


def _settle(cause: Codes, time: Array, step: Array, gap: Flags) -> Codes:
    """Give each sample the cause that decided most of the :data:`SHORT` s around it."""
    near = around(time, gap, SHORT / 2)
    # Mostly all around have one cause, which is then the sample's own: only the others are weighed.
    turns = np.zeros(len(cause), np.uint32)
    np.cumsum(cause[1:] != cause[:-1], dtype=np.uint32, out=turns[1:])
    mixed = near.differ(turns)
    del turns
    low, high, here = near.low[mixed], near.high[mixed], cause[mixed]
    del near
    settled, most = np.zeros(len(mixed), np.int8), np.full(len(mixed), -np.inf)
    for code in range(len(CAUSES)):  # one at a time: a long ride's do not fit side by side
        own = cause == code
        if not own.any():
            continue
        sums = running(step, own)
        seconds = sums[high] - sums[low]
        seconds[here == code] += 1e-6  # a tie leaves it as it is
        more = seconds > most
        settled[more], most[more] = code, seconds[more]
    found = cause.copy()
    found[mixed] = settled
    return found


# -------------------------------------------------------------------- shares and words


def _shares(motors: tuple[MotorCauses, ...], where: Sequence[Flags | slice]) -> tuple[Share, ...]:
    """Return the shares over the samples ``where``, all motors together, largest first."""
    seconds = np.zeros(len(CAUSES))
    doubt = np.zeros(len(CAUSES))
    for motor, inside in zip(motors, where, strict=True):
        cause, step = motor.cause[inside], motor.step[inside]
        seconds += np.bincount(cause, step, len(CAUSES))
        doubt += np.bincount(cause, step * motor.doubtful[inside], len(CAUSES))
    whole = seconds.sum()
    if whole <= 0:
        return ()
    # A doubtful sample could belong to its other cause: half of them is the honest half-width.
    found = [
        Share(
            c, float(s / whole), float(s / len(motors)), float((d + seconds[_UNKNOWN]) / whole / 2)
        )
        for c, s, d in zip(CAUSES, seconds, doubt, strict=True)
        if s > 0
    ]
    return tuple(sorted(found, key=lambda one: -one.share))


def _judge(pull: Pull, found: list[MotorDemand], motors: tuple[MotorCauses, ...]) -> PullFinding:
    inside = [samples_of(m.time, pull) for m in motors]
    shares = _shares(motors, inside)
    by_cause = {one.cause: one for one in shares}
    held = by_cause.get(Cause.MOTOR_CURRENT)
    if held is not None and held.share >= MATTERS:
        others = [one for one in shares if one.cause is not Cause.MOTOR_CURRENT]
        then = f"; for the rest it was mostly {_name(others[0].cause)}" if others else ""
        return PullFinding(
            pull,
            shares,
            True,
            f"the motor-current limit decided {held.seconds:.1f} s ({held.share:.0%}) of it{then}",
        )
    if not shares:
        return PullFinding(pull, shares, None, "nothing was measured in it")
    open_ = _open_share(motors, inside)
    if open_ > NO_MATTER:
        return PullFinding(
            pull,
            shares,
            None,
            f"what decided {open_:.0%} of it, or whether the motor-current limit did, is not sure",
        )
    first = next(one for one in shares if one.cause is not Cause.MOTOR_CURRENT)
    most = max(
        float(np.nanmax(drive.current[part], initial=-np.inf))
        for drive, part in zip(found, inside, strict=True)
    )
    return PullFinding(
        pull,
        shares,
        False,
        f"{_name(first.cause)} decided {first.share:.0%} of it (motor current peaked at "
        f"{most:.0f} A)",
    )


def _open_share(motors: tuple[MotorCauses, ...], where: Sequence[Flags | slice]) -> float:
    """Return the largest share, over the motors, of the time that the motor-current limit decided
    or may have decided: its own, what is not known, and what is in doubt between two causes."""
    most = 0.0
    for motor, inside in zip(motors, where, strict=True):
        cause, step = motor.cause[inside], motor.step[inside]
        may = (cause == _MOTOR) | (cause == _UNKNOWN) | motor.near_motor[inside]
        whole = float(np.sum(step))
        most = max(most, float(np.sum(step[may])) / whole if whole > 0 else 0.0)
    return most


def _name(cause: Cause) -> str:
    return {
        Cause.RIDER: cause.value,
        Cause.UNKNOWN: cause.value,
        Cause.HEAT: "heat",
        Cause.LOW_VOLTAGE: "low voltage",
    }.get(cause, f"the {cause.value}")


def _stretches(motor: MotorCauses) -> tuple[tuple[float, float], ...]:
    """Return the spans of hard demand, at least 0.5 s long."""
    flags = np.r_[False, motor.hard, False].astype(int)
    starts, ends = np.flatnonzero(np.diff(flags) == 1), np.flatnonzero(np.diff(flags) == -1) - 1
    spans = zip(motor.time[starts].tolist(), motor.time[ends].tolist(), strict=True)
    return tuple((a, b) for a, b in spans if b - a >= 0.5)


def held_back_answer(it: Gathered) -> Answer:
    """Answer what held the vehicle back, over the ride and launch by launch, and whether the
    stated settings were in force."""
    found = held_back(it)
    against = " ".join(dict.fromkeys(s.text for s in found.settings if s.verdict is Shows.NO))
    figures = tuple(_setting_figure(s) for s in found.settings if s.seen is not None)
    if found.unknown is not None:
        answer = Answer.unanswered(KEY, QUESTION, found.unknown, figures)
        return replace(answer, verdict=f"{answer.verdict} {against}".strip())
    first = found.shares[0]
    verdict = (
        f"Of {found.hard_seconds:.0f} s of hard demand, {_name(first.cause)} decided "
        f"{first.share:.0%}"
    )
    rest = [f"{_name(s.cause)} {s.share:.0%}" for s in found.shares[1:] if s.share >= 0.01]
    verdict += f"; then {', '.join(rest)}." if rest else "."
    return Answer(
        KEY,
        QUESTION,
        " ".join(x for x in (against, verdict, _would_raising(found)) if x),
        figures=(
            *(
                Figure(
                    f"Held back by {_name(s.cause)}",
                    100 * s.share,
                    "%",
                    100 * s.uncertainty,
                    f"share of the {found.hard_seconds:.0f} s at {HARD:.0%} throttle or more, "
                    f"or in a launch, mean of {len(found.motors)} motor(s)",
                )
                for s in found.shares
            ),
            *figures,
        ),
        evidence=found.evidence,
        details=(
            *(_pull_words(p) for p in found.pulls),
            *_level_words(found),
            *setting_words(found.settings),
            BEFORE_RAISING,
        ),
    ).in_short(
        f"{_name(first.cause)[:1].upper()}{_name(first.cause)[1:]} decided {first.share:.0%} of "
        f"hard demand{'; a stated setting may not have been in force' if against else ''}",
        Urgency.LOOK if against else Urgency.FINE if first.cause is Cause.RIDER else Urgency.LOOK,
        Shares(tuple((str(s.cause), s.share) for s in found.shares if s.share > 0)),
    )


def _would_raising(found: HeldBack) -> str:
    """Say whether a higher motor-current setting could have mattered; not known is not "no"."""
    motor = next((s.share for s in found.shares if s.cause is Cause.MOTOR_CURRENT), 0.0)
    hard = [m.hard for m in found.motors]
    if motor >= 0.01:
        return f"A higher motor-current setting could have mattered in {motor:.0%} of that time."
    if _open_share(found.motors, hard) <= NO_MATTER:
        return "A higher motor-current setting would not have mattered."
    return "Whether a higher motor-current setting would have mattered cannot be told."


def _setting_figure(one: SettingInForce) -> Figure:
    how = "as the board reported it" if one.reported else "where it was held while the rest moved"
    name = one.name.replace("_", " ")
    return Figure(
        f"{name[0].upper()}{name[1:]} seen, motor {one.motor} (stated {one.stated:g})",
        one.seen or 0.0,
        one.unit,
        None,
        how,
    )


def _pull_words(found: PullFinding) -> str:
    pull = found.pull
    matters = found.motor_setting_matters
    would = "would" if matters is None else "could" if matters else "would not"
    shares = ", ".join(f"{_name(s.cause)} {s.share:.0%}" for s in found.shares if s.share >= 0.02)
    raising = f"aising the motor-current setting {would} have mattered here"
    said = f"Whether r{raising} cannot be told" if matters is None else f"R{raising}, because"
    return (
        f"{pull.kind.capitalize()} at {pull.start:.1f} s ({pull.end - pull.start:.1f} s long): "
        f"{shares}. {said}{':' if matters is None else ''} {found.because}."
    )


def _level_words(found: HeldBack) -> list[str]:
    """Say which limits were used and where they came from."""
    words = []
    for motor in found.motors:
        levels = ", ".join(
            f"{_name(x.cause)} {x.value:.3g}{' ' + x.unit if x.unit != '1' else ''} ({x.source}"
            + (f", stated {x.stated:.4g})" if x.stated is not None else ")")
            for x in motor.levels
        )
        words.append(f"Motor {motor.motor}: {levels or 'no limit known or seen'}.")
    return words
