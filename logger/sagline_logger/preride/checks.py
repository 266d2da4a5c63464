"""The checks: from what was heard and the board file to results with numbers.

The vehicle stands still, switched on, without load.  The bounds below are common practice without
a published source, chosen so that a healthy board passes; they are for finding what to look at.
"""

import math
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from statistics import median
from typing import Literal

from ..format import BoardFile, board_conflicts, derive_limits, weakest
from .listening import Hearing
from .observation import Observation, StreamSeen, observe

Verdict = Literal["pass", "warn", "fail", "open"]
"""``open`` means that it could not be checked; ``numbers`` then says what it would need."""

LOSS = (0.0, 0.01)
"""Share of samples lost: above the first warn, above the second fail; so in each pair below."""
RATE_ERROR = (0.02, 0.10)
"""Stream rate against its description, as a ratio."""
SPREAD = (0.030, 0.100)
"""Between the highest and the lowest cell at rest, V."""
SUM_ERROR = (0.01, 0.03)
"""Sum of cells against pack voltage, as a ratio."""
WARMTH = (10.0, 40.0)
"""Part against ambient temperature, K."""
UNALIKE = (5.0, 25.0)
"""Between parts of the same sort, K."""
CURRENT = (1.0, 5.0)
"""Standing current, A; or these hundredths of the nearest limit if that is more."""
THROTTLE = (0.02, 0.05)
"""Drive input with the hand off it, as a ratio."""
DRIFT = (500.0, 10_000.0)
"""Device clock against the host's, ppm; a crystal keeps 100, a chip's own RC clock 10,000."""
SPACE = 2.0
"""Warn below this many times the space that the ride needs."""


@dataclass(frozen=True, slots=True)
class CheckResult:
    """One line of the check: ``numbers`` says what was found, ``remedy`` what to do about it."""

    name: str
    verdict: Verdict
    numbers: str
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class Storage:
    """``free`` bytes where the log will be, and how long the ride will last in s."""

    free: int
    ride: float


_Finding = tuple[Verdict, str, str]


def check(
    hearing: Hearing, board: BoardFile | None, storage: Storage | None, pace: float = 1.0
) -> tuple[CheckResult, ...]:
    """Return the result of every check.

    ``pace`` is how many times as fast as life it was heard, as when replayed: then our clock is no
    measure for the device's.
    """
    seen = observe(hearing)
    parts: tuple[tuple[str, Callable[[], _Finding]], ...] = (
        ("board file", lambda: _board_file(seen, board)),
        ("link", lambda: _link(hearing, seen)),
        ("loss", lambda: _loss(seen)),
        ("stream rates", lambda: _rates(seen)),
        ("faults", lambda: _faults(seen)),
        ("cell count", lambda: _cell_count(seen, board)),
        ("cell spread", lambda: _spread(seen, board)),
        ("sum of cells", lambda: _sum(seen)),
        ("temperatures", lambda: _temperatures(seen)),
        ("currents", lambda: _currents(seen, board)),
        ("throttle", lambda: _throttle(seen)),
        ("limits", lambda: _limits(seen, board)),
        ("clock", lambda: _clock(seen) if pace == 1.0 else _needs("a replay at its own pace")),
        ("disk space", lambda: _space(hearing, storage, pace)),
    )
    return tuple(CheckResult(name, *part()) for name, part in parts)


def _grade(value: float, bounds: tuple[float, float]) -> Verdict:
    return "pass" if value <= bounds[0] else "warn" if value <= bounds[1] else "fail"


def _worst(verdicts: list[Verdict]) -> Verdict:
    order: tuple[Verdict, ...] = ("fail", "warn", "pass")
    return next((verdict for verdict in order if verdict in verdicts), "open")


def _needs(what: str) -> _Finding:
    return "open", f"not checked: needs {what}", ""


def _typical(seen: Observation, *names: str) -> dict[str, float]:
    """Return the median of every column of these channels that has a reading, by key."""
    found = {}
    for key in [key for name in names for key in seen.keys(name)]:
        values = [value for value in seen.values[key] if not math.isnan(value)]
        if values:
            found[key] = median(values)
    return found


def _link(hearing: Hearing, seen: Observation) -> _Finding:
    if hearing.link_losses:
        times = f"lost {len(hearing.link_losses)} times ({hearing.link_losses[0]})"
        return "fail", times, "mend the lead or its plug, or come nearer"
    if not hearing.received:
        return "fail", "no byte arrived", "is the board on, and the lead in the right port?"
    if hearing.refused:
        what = f"the board breaks the format's rules: {hearing.refused[0]}"
        return "fail", what, "mend the board's program: what it sends so cannot be read"
    if not hearing.records:
        return (
            "fail",
            f"{hearing.received} bytes, but no frame among them",
            "is --baud right, and is it our format?",
        )
    numbers = f"{len(hearing.records)} frames, {hearing.foreign} bytes that were none, never lost"
    if seen.boots > 1:
        return "fail", f"{numbers}, the board restarted {seen.boots - 1} times", "mend its supply"
    share = hearing.foreign / hearing.received
    return _grade(share, LOSS), numbers, "look for noise on the line" if share else ""


def _board_file(seen: Observation, board: BoardFile | None) -> _Finding:
    if board is None:
        return _needs("a board file")
    sent = Counter(channel.name for channel in seen.channels.values())
    del sent["cell_voltage"]  # these have a check of their own
    found = board_conflicts(board, sent, next(iter(_typical(seen, "pack_voltage").values()), None))
    if not found:
        return "pass", f"{board.name!r} fits what the board sends", ""
    return "fail", " ".join(found), "give the file of this vehicle with --board, or mend it"


def _loss(seen: Observation) -> _Finding:
    lost = sum(stream.lost for stream in seen.streams)
    total = lost + sum(stream.received for stream in seen.streams)
    if not total:
        return "fail", "no sample arrived", "let the board send its streams"
    remedy = "shorten or shield the lead, or come nearer" if lost else ""
    return _grade(lost / total, LOSS), f"{lost} of {total} samples lost", remedy


def _rates(seen: Observation) -> _Finding:
    if not seen.streams:
        return _needs("a described stream")
    graded = [_rate(stream) for stream in seen.streams]
    return (
        _worst([verdict for verdict, _ in graded]),
        "; ".join(text for _, text in graded),
        ""
        if all(verdict == "pass" for verdict, _ in graded)
        else "compare the firmware's timing with what its description says",
    )


def _rate(stream: StreamSeen) -> tuple[Verdict, str]:
    described = stream.description
    if described is None:
        return "fail", f"stream {stream.number} was never described"
    if not stream.received:
        return ("fail" if described.period else "pass"), f"{described.name}: nothing came"
    if not described.period:
        return "pass", f"{described.name}: irregular, {stream.received} samples"
    if stream.span <= 0:
        return "fail", f"{described.name}: one record, or its clock stands still"
    rate, wanted = stream.steps / stream.span, 1e6 / described.period
    text = f"{described.name}: {rate:.1f} of {wanted:.1f} samples/s"
    return _grade(abs(rate / wanted - 1), RATE_ERROR), text


def _faults(seen: Observation) -> _Finding:
    if not seen.faults:
        return "pass", "none reported while listening", ""
    told = ", ".join(f"{fault.number} {fault.text}".strip() for fault in seen.faults)
    return "fail", f"{len(seen.faults)}: {told}", "find and clear the fault"


def _cell_count(seen: Observation, board: BoardFile | None) -> _Finding:
    sent = len(seen.keys("cell_voltage"))
    reading = len(_typical(seen, "cell_voltage"))
    if reading < sent:
        return "fail", f"{sent - reading} of {sent} cells give no reading", "check the sense leads"
    if board is None or not board.battery.cells:
        return _needs(f"battery.units in a board file ({sent} cells are sent)")
    wanted = board.battery.cells
    if not sent:
        return _needs(f"the channel cell_voltage ({wanted} cells in the board file)")
    numbers = f"{sent} cells sent, {wanted} in the board file"
    if sent == wanted:
        return "pass", numbers, ""
    return "fail", numbers, "check the sense leads, the pack and the board file"


def _standing_bounds(board: BoardFile | None, channel: str, index: int) -> tuple[float, float]:
    limits = derive_limits(board) if board else ()
    scale = (
        min(
            (abs(x.value) for x in weakest(limits, channel, index) if x.kind == "limit"),
            default=0.0,
        )
        / 100
    )
    return max(CURRENT[0], scale * CURRENT[0]), max(CURRENT[1], scale * CURRENT[1])


def _moving(seen: Observation, board: BoardFile | None) -> str:
    """Return what shows that the vehicle is not at rest, or an empty text."""
    for key, current in _typical(seen, "battery_current").items():
        if abs(current) > _standing_bounds(board, "battery_current", 0)[1]:
            return f"{key} is {current:.1f} A"
    return next((f"speed is {v:.1f} m/s" for v in _typical(seen, "speed").values() if v > 0.3), "")


def _spread(seen: Observation, board: BoardFile | None) -> _Finding:
    cells = _typical(seen, "cell_voltage")
    if len(cells) < 2:
        return _needs("the channel cell_voltage of two cells or more")
    if moving := _moving(seen, board):
        return "open", f"not checked: not at rest ({moving})", "let the vehicle stand, and repeat"
    lowest, highest = min(cells, key=cells.__getitem__), max(cells, key=cells.__getitem__)
    spread = cells[highest] - cells[lowest]
    numbers = (
        f"{spread:.3f} V between {lowest} ({cells[lowest]:.3f} V) and {highest} "
        f"({cells[highest]:.3f} V)"
    )
    verdict = _grade(round(spread, 6), SPREAD)
    return verdict, numbers, "" if verdict == "pass" else "balance the pack; test that cell"


def _sum(seen: Observation) -> _Finding:
    cells = _typical(seen, "cell_voltage")
    pack = next(iter(_typical(seen, "pack_voltage").values()), 0.0)
    if not cells or pack <= 0:
        return _needs("the channels cell_voltage and pack_voltage")
    total = sum(cells.values())
    numbers = f"{len(cells)} cells add up to {total:.2f} V, pack voltage is {pack:.2f} V"
    verdict = _grade(abs(total / pack - 1), SUM_ERROR)
    remedy = "calibrate against a meter; look for a poor joint or a wrong cell count"
    return verdict, numbers, "" if verdict == "pass" else remedy


_PARTS = ("motor_temperature", "controller_temperature", "battery_temperature")


def _temperatures(seen: Observation) -> _Finding:
    if not any(seen.keys(name) for name in _PARTS):
        return _needs("a channel of a temperature")
    found = _typical(seen, *_PARTS)
    silent = [key for name in _PARTS for key in seen.keys(name) if key not in found]
    if silent:
        return "fail", f"no reading from {', '.join(silent)}", "check that sensor and its lead"
    ambient = next(iter(_typical(seen, "ambient_temperature").values()), None)
    base = median(found.values()) if ambient is None else ambient
    verdicts: list[Verdict] = []
    furthest = max(found, key=lambda key: abs(found[key] - base))
    against = "the middle of all" if ambient is None else "ambient"
    numbers = (
        f"{len(found)} sensors, {furthest} ({found[furthest]:.1f} °C) furthest from {against} "
        f"({base:.1f} °C)"
    )
    verdicts.append(_grade(abs(found[furthest] - base), WARMTH))
    for name in _PARTS:
        alike = [found[key] for key in seen.keys(name)]
        if len(alike) > 1:
            apart = max(alike) - min(alike)
            verdicts.append(_grade(apart, UNALIKE))
            if verdicts[-1] != "pass":
                numbers += f"; {name} {apart:.1f} K apart"
    verdict = _worst(verdicts)
    remedy = "still warm from the last ride? If not, check that sensor and what it sits on"
    return verdict, numbers, "" if verdict == "pass" else remedy


def _currents(seen: Observation, board: BoardFile | None) -> _Finding:
    names = ("battery_current", "controller_battery_current", "motor_current")
    found = _typical(seen, *names)
    if not found:
        return _needs("a channel of a current")
    graded: dict[str, Verdict] = {}
    for key, value in found.items():
        channel = seen.channels[key]
        bounds = _standing_bounds(board, channel.name, channel.index)
        graded[key] = _grade(abs(value), bounds)
    numbers = ", ".join(f"{key} {value:.2f} A" for key, value in found.items())
    verdict = _worst(list(graded.values()))
    remedy = "set the sensor's zero; look for what draws or drives this current at rest"
    return verdict, numbers, "" if verdict == "pass" else remedy


def _throttle(seen: Observation) -> _Finding:
    found = _typical(seen, "throttle")
    if not found:
        return _needs("the channel throttle")
    value = found["throttle"] if "throttle" in found else max(found.values())
    verdict = _grade(abs(value), THROTTLE)
    remedy = "do not ride until it returns to zero by itself"
    return verdict, f"{100 * value:.1f} % with nobody at it", "" if verdict == "pass" else remedy


def _limits(seen: Observation, board: BoardFile | None) -> _Finding:
    limits = derive_limits(board) if board else ()
    crossed: list[tuple[Verdict, str]] = []
    compared = 0
    for key, value in _typical(seen, *dict.fromkeys(limit.channel for limit in limits)).items():
        channel = seen.channels[key]
        for limit in weakest(limits, channel.name, channel.index):
            if limit.kind in ("burst", "setting"):
                continue
            compared += 1
            if limit.crossed(value):
                verdict: Verdict = "warn" if limit.kind == "alarm" else "fail"
                crossed.append(
                    (
                        verdict,
                        f"{key} {value:.3g} {channel.unit} is {limit.direction} {limit.arithmetic}",
                    )
                )
    if not compared:
        return _needs("ratings or cell voltages in a board file")
    if not crossed:
        return "pass", f"{compared} limits, none crossed at rest", ""
    crossed.sort(key=lambda one: one[0])  # by the alphabet, fail comes before warn
    told = "; ".join(text for _, text in crossed[:3])
    if len(crossed) > 3:
        told += f"; and {len(crossed) - 3} more"
    return crossed[0][0], told, "do not ride until the cause is found"


def _clock(seen: Observation) -> _Finding:
    found = _drift(seen.clock)
    if found is None:
        return _needs("samples over 2 s or more")
    drift, doubt = found
    numbers = f"the device's clock runs {drift:+.0f} ppm against ours, known to ±{doubt:.0f} ppm"
    # Only what is beyond doubt counts: jitter in delivery must not look like a bad clock.
    verdict = _grade(max(abs(drift) - doubt, 0.0), DRIFT)
    return verdict, numbers, "" if verdict == "pass" else "check the device's clock source"


def _drift(points: tuple[tuple[float, float], ...]) -> tuple[float, float] | None:
    """Return (ppm, doubt in ppm) from (device s, host s) pairs; None when they span under 2 s.

    A frame can be late, never early, so the fastest delivery in the first third is compared with
    the one in the last.  The doubt is what is left if either was late by the median delay.
    """
    if len(points) < 6 or points[-1][0] - points[0][0] < 2:
        return None
    third = len(points) // 3
    delays = [(host - device, device) for device, host in points]
    first, last = min(delays[:third]), min(delays[-third:])
    span = last[1] - first[1]
    if span <= 0:
        return None
    late = median(delay for delay, _ in delays) - min(delays)[0]
    slope = (last[0] - first[0]) / span
    return -slope * 1e6, late / span * 1e6


def _space(hearing: Hearing, storage: Storage | None, pace: float) -> _Finding:
    if storage is None or not hearing.received:
        return _needs("bytes from the board and a directory")
    rate = hearing.received / hearing.seconds / pace
    needed = rate * storage.ride
    numbers = (
        f"{storage.free / 1e6:.0f} MB free, about {needed / 1e6:.0f} MB for "
        f"{storage.ride / 3600:g} h at {rate / 1e3:.1f} kB/s"
    )
    if storage.free < needed:
        return "fail", numbers, "free some space, or choose another disk"
    if storage.free < SPACE * needed:
        return "warn", numbers, "free some space"
    return "pass", numbers, ""


def counts(results: tuple[CheckResult, ...]) -> Iterator[tuple[Verdict, int]]:
    """Yield how many results there are of each verdict."""
    verdicts: tuple[Verdict, ...] = ("pass", "warn", "fail", "open")
    for verdict in verdicts:
        yield verdict, sum(result.verdict == verdict for result in results)
