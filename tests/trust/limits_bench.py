"""The trust bench of "What held it back?": the analyser's causes against those recorded."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from sagline_analyser.findings.drive.held_back import CAUSES, Cause, HeldBack, held_back
from sagline_analyser.findings.drive.settings_in_force import Shows
from sagline_analyser.findings.readings.gathered import Gathered
from trust.limits_models import ORDER, LimitsRide, Vehicle, limits_rides, vehicle
from trust.table import Event, event_table

AT_ONCE = 50
"""Cases stepped together."""


def seconds_by_cause(made: LimitsRide, found: HeldBack) -> Counter[tuple[Cause, Cause]]:
    """Return s of hard demand by (true, found) cause, over all motors."""
    seconds: Counter[tuple[Cause, Cause]] = Counter()
    for motor, active in zip(found.motors, made.active.T, strict=True):
        for true, told, step in zip(
            active[motor.hard], motor.cause[motor.hard], motor.step[motor.hard], strict=True
        ):
            seconds[ORDER[true], CAUSES[told]] += float(step)
    return seconds


def right_share(seconds: Counter[tuple[Cause, Cause]]) -> float:
    """Return the share of the time that was put down to its true cause."""
    whole = sum(seconds.values())
    return sum(s for (a, b), s in seconds.items() if a is b) / whole if whole else 1.0


def wrongly_denied(made: LimitsRide, found: HeldBack) -> list[tuple[float, bool, bool]]:
    """Return (start, said "would not have mattered", the motor-current limit decided a tenth or
    more of it in one motor) for each pull."""
    result = []
    for pull in found.pulls:
        inside = (made.time >= pull.pull.start) & (made.time <= pull.pull.end)
        most = max(
            np.mean(ORDER_IS_MOTOR[active[inside]]) if inside.any() else 0.0
            for active in made.active.T
        )
        result.append((pull.pull.start, pull.motor_setting_matters is False, bool(most >= 0.1)))
    return result


BARE = "2 motors, of their battery currents the sum alone"
"""The rides without duty cycles and each controller's own battery current."""


def bare_seconds(vehicles: Sequence[Vehicle]) -> Iterator[Counter[tuple[Cause, Cause]]]:
    """Yield s of hard demand by (true, found) cause of the rides that log so little; a duty ceiling
    that nothing shows may be told as not shown."""
    for made in limits_rides([replace(one, bare=True) for one in vehicles if one.motors == 2]):
        seconds = seconds_by_cause(made, held_back(Gathered(made.ride)))
        seconds[Cause.DUTY, Cause.DUTY] += seconds.pop((Cause.DUTY, Cause.UNKNOWN), 0.0)
        yield seconds


ORDER_IS_MOTOR = np.array([cause is Cause.MOTOR_CURRENT for cause in ORDER])


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the tables of ``cases`` vehicles from ``seed`` on."""
    whole: Counter[tuple[Cause, Cause]] = Counter()
    groups: dict[str, list[Counter[tuple[Cause, Cause]]]] = {}
    events: list[Event] = []
    low = [0.0, 0.0]
    for first in range(seed, seed + cases, AT_ONCE):
        some = [vehicle(n) for n in range(first, min(first + AT_ONCE, seed + cases))]
        groups.setdefault(BARE, []).extend(bare_seconds(some))
        for made in limits_rides(some):
            case, found = made.vehicle, held_back(Gathered(made.ride))
            seconds = seconds_by_cause(made, found)
            whole += seconds
            off = "exact" if case.off[0] == 1.0 else "1–10 % off"
            for group in (
                "all",
                f"limits: {case.knows}" + (f", {off}" if case.knows == "settings" else ""),
                f"{case.motors} motor" + ("s" if case.motors > 1 else ""),
                f"every {case.period:g} s",
            ):
                groups.setdefault(group, []).append(seconds)
            if not any(true is Cause.LOW_VOLTAGE for true, _ in seconds):
                low[0] += sum(s for (_, told), s in seconds.items() if told is Cause.LOW_VOLTAGE)
                low[1] += sum(seconds.values())
            events += [
                Event(
                    "a higher motor-current setting would not have mattered",
                    case.knows,
                    case.seed,
                    not matters,
                    denied,
                )
                for _, denied, matters in wrongly_denied(made, found)
            ]
            truths = {
                "motor_current_limit": case.motor_limit,
                "battery_current_limit": case.battery_limit,
                "duty_limit": (case.duty_limit,) * 2,
                "voltage_cutback_start": (case.cut_start,) * 2,
                "voltage_cutback_end": (case.cut_end,) * 2,
            }
            for one in found.settings:
                true = truths[one.name][one.motor - 1]
                wrong = abs(true / one.stated - 1) > 0.045
                if wrong or abs(true / one.stated - 1) < 0.015:
                    events.append(
                        Event(
                            f"{one.name} contradicted",
                            "4.5 % off or more / under 1.5 %",
                            case.seed,
                            wrong,
                            one.verdict is Shows.NO,
                        )
                    )
    rows = [
        "| hard demand | cases | seconds | right | worst ride | rides at 95 % |",
        "|---|---:|---:|---:|---:|---:|",
    ]
    for name, parts in sorted(groups.items()):
        total: Counter[tuple[Cause, Cause]] = Counter()
        for part in parts:
            total += part
        shares = [right_share(p) for p in parts if sum(p.values()) > 0]
        good = sum(s >= 0.95 for s in shares)
        rows.append(
            f"| {name} | {len(parts)} | {sum(total.values()):.0f} | {right_share(total):.1%} "
            f"| {min(shares):.1%} | {good} of {len(shares)} |"
        )
    causes = ["| true cause | seconds | right | most often taken for |", "|---|---:|---:|---|"]
    for true in ORDER:
        own = Counter({told: s for (t, told), s in whole.items() if t is true})
        size = sum(own.values())
        if size:
            others = [f"{t.value} {s / size:.1%}" for t, s in own.most_common() if t is not true]
            causes.append(
                f"| {true.value} | {size:.0f} | {own[true] / size:.1%} | {', '.join(others[:2])} |"
            )
    told_low = f"{low[0] / low[1]:.2%}" if low[1] else "–"
    causes.append(
        f"\n“Low voltage” where no such cut-back was at work: {told_low} of {low[1]:.0f} s."
    )
    return [
        ("What held it back", "\n".join(rows)),
        ("What held it back, by cause", "\n".join(causes)),
        ("Claims on settings", event_table(events)),
    ]
