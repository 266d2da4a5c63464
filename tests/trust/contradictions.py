"""Answers of one page that cannot both hold: the pairs, a checker, and rides to run it over.

The pairs, by number; each is looked for in what the answers say, figures and words, as a reader
of the page or of ``--json`` has them:

 1. The fault is likely, or possibly, an empty cell; the low-cell answer judges that cell as sag.
 2. The fault is likely an empty cell; the low-cell answer knows of no empty one.
 3. The fault states the V at which a cell would rest; the low-cell answer has alarms, and another V
    for the same cell and reading.
 4. The fault says that a cell has more resistance, or that it does not stand out; the cells answer
    names others, or another share.
 5. The low-cell answer gives a cell's extra resistance a share of 0.05 V or more; in the cells
    answer that cell has less resistance than the middle one.
 6. A cell was truly empty; at the end it rests above that, outside both intervals, in a pack into
    which no charge went back.
 7. The last alarm, in the ride's last minute, found a cell truly empty; the range promises a
    kilometre or more.
 8. The motor-current limit decided a tenth of the hard demand, or what decided more than a tenth is
    not known; a higher motor-current setting would not have mattered.
 9. A stated setting of a motor shows; the same one may not have been in force.
10. The shares that held the vehicle back are more than the whole, or less than nothing.
11. Energy drawn less energy given back by the consumption; the packs' net energy, 2 % apart.
12. The share given back by braking; what was given back over what was drawn.
13. The state of charge lies outside 0 to 100 %; the range that 19 in 20 go is the longer one.
14. A fault's current fell while the throttle stayed open; the rider likely let go.
15. One motor's speed sensor likely failed; the same moment is likely slip.
16. The controller stopped by itself; another cause is likely in the same moment.
17. Braking stayed within what is allowed; over-voltage by braking is the likely fault.
18. No part reaches its limit within an hour; a time to the limit is told, or a part is not judged.
19. An answer that cannot tell, with a figure of it, other than what the settings were seen to be.
20. A figure, or its doubt, is not a number, or a doubt is negative.
21. A part stays below its limit for an hour from cold, as 19 in 20 do; how warm it gets in an hour
    ends above that limit.  Or it does not stay below it, and that ends below.
22. The low-cell answer gives a cell's extra resistance a share of 0.3 V or more; in the cells
    answer no cell stands out.
23. A small cell is empty first; another one is the first to end the range.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import scipy

from sagline_analyser.findings.answers import answers
from sagline_analyser.findings.telling.answer import Answer, Figure
from sagline_analyser.load.ride import Ride, RideEvent
from sagline_logger.format import BoardFile, EventKind, SaglineError, read_board_file
from support.faults import AT, Script, fault
from support.faults import BOARD as SCRIPT_BOARD
from support.simulated_rides import simulated_ride
from trust.cells_model import CannotSolve
from trust.cells_rides import make_ride_of
from trust.limits_models import limits_rides, vehicle
from trust.sensor_rides import FAULTS, broken, own_ride

LATELY = 15.0
"""s within which a fault and an alarm's lowest reading are of one state: a cell that had only
sagged does not become an empty one meanwhile."""

AT_ONCE = 20
"""Rides under recorded limits that are stepped together."""

Found = Iterator[tuple[int, str]]
"""Numbers of the pairs found, and what was said."""

WEIGHED = re.compile(r"^(Likely|Possible): (.*?)\. For it: (.*?)\. Against it: (.*)$", re.DOTALL)
RESTS = re.compile(
    r"cell (\d+) read ([\d.]+) V [^;:]*: [^;]*?would (?:rest at|show) ([\d.]+ ± [\d.]+) V"
)
HOUR = re.compile(
    r"19 in 20 such parts stay below ([\d.]+) °C for (.*?) from cold.*?"
    r"; about [\d.]+ °C \([\d.]+ to ([\d.]+) °C\) in an hour from cold"
)
ALARM = re.compile(r"At ([\d.]+) s cell (\d+) read ([\d.]+) V[^:;]*[:;] (.*)", re.DOTALL)


@dataclass(frozen=True)
class Moment:
    """What the fault answer says of one moment: its words, and causes by likelihood."""

    time: float
    text: str
    likely: tuple[str, ...]
    possible: tuple[str, ...]
    evidence: str


@dataclass(frozen=True)
class Alarm:
    """One alarm of the low-cell answer, from ``start`` to ``end`` s, lowest at ``time``;
    ``verdict`` is sag, empty or unclear."""

    start: float
    end: float
    time: float
    cell: int
    read: str
    verdict: str
    text: str


def contradictions(said: Sequence[Answer]) -> list[tuple[int, str]]:
    """Return every pair of the list above that ``said`` holds, as (number, words)."""
    page = {answer.key: answer for answer in said}
    found = [one for check in CHECKS for one in check(page)]
    return sorted(found)


def moments(page: dict[str, Answer]) -> list[Moment]:
    """Return the moments that the fault answer tells."""
    found: list[list[str]] = []
    for line in page["fault"].details:
        if re.match(r"At \d+:\d\d\.\d, ", line):
            found.append([])
        if found:
            found[-1].append(line)
    result = []
    for lines in found:
        weighed = [m for line in lines if (m := WEIGHED.match(line))]
        minutes, seconds = re.findall(r"[\d.]+", lines[0])[:2]
        result.append(
            Moment(
                60 * float(minutes) + float(seconds),
                lines[0],
                tuple(m[2] for m in weighed if m[1] == "Likely"),
                tuple(m[2] for m in weighed if m[1] == "Possible"),
                " ".join(m[0] for m in weighed),
            )
        )
    return result


def alarms(page: dict[str, Answer]) -> list[Alarm]:
    """Return the alarms that the low-cell answer judges."""
    found = []
    answer = page["low_cell"]
    lines = [line for line in answer.details if not line.startswith(("Without ", "With gaps "))]
    for (start, end), line in zip(answer.evidence, lines, strict=False):
        m = ALARM.match(line)
        assert m is not None, line  # one line for each stretch, in the same order
        verdict = next((v for v in ("sag", "empty") if m[4].startswith(f"{v}, for")), "unclear")
        found.append(Alarm(start, end, float(m[1]), int(m[2]), m[3], verdict, m[4]))
    return found


def _figures(answer: Answer, pattern: str) -> list[tuple[re.Match[str], Figure]]:
    return [(m, f) for f in answer.figures if (m := re.search(pattern, f.label))]


def _empty_or_sag(page: dict[str, Answer]) -> Found:
    known = alarms(page)
    for moment in moments(page):
        for cell, read, rest in (m.groups() for m in RESTS.finditer(moment.evidence)):
            same = [
                a
                for a in known
                if (str(a.cell), a.read) == (cell, read) and abs(a.time - moment.time) < LATELY
            ]
            if same and not any(rest in a.text for a in same):
                yield 3, f"fault: cell {cell} rests at {rest} V; low cell: {same[0].text}"
        # What is said of cells rests on the 2 s before the moment, an alarm on its lowest point.
        now = [
            a
            for a in known
            if a.start <= moment.time
            and a.end >= moment.time - 2.0
            and abs(a.time - moment.time) < LATELY
        ]
        if not now or "not above its alarm voltage" not in moment.evidence:
            continue
        weighed = (*moment.likely, *moment.possible)
        if any("empty cell" in n for n in weighed) and all(a.verdict == "sag" for a in now):
            yield 1, f"fault: {weighed}; low cell: {now[0].text}"
        if any("empty cell" in n for n in moment.likely) and all(a.verdict != "empty" for a in now):
            yield 2, f"fault: {moment.likely}; low cell: {now[0].text}"


def _resistance(page: dict[str, Answer]) -> Found:
    cells = page["cells"]
    if not cells.known:
        return
    for moment in moments(page):
        for m in re.finditer(r"cell (\d+) has (\d+) % more resistance", moment.evidence):
            if not re.search(rf"cell {m[1]} \([^)]*{m[2]} % above the others", cells.verdict):
                yield 4, f"fault: {m[0]}; cells: {cells.verdict}"
        for m in re.finditer(r"resistance of cell (\d+) does not stand out", moment.evidence):
            if not any("pack" in f.label for f in cells.figures) and re.search(
                rf"Yes:[^;]*cell {m[1]} \(", cells.verdict
            ):
                yield 4, f"fault: {m[0]}; cells: {cells.verdict}"
    of = {
        w: {int(m[1]): f.value for m, f in _figures(cells, rf"^cell (\d+), {w}$")}
        for w in ("step", "after 10 s")
    }
    if len(of["step"]) < 3:
        return
    middle = {what: float(np.median(list(values.values()))) for what, values in of.items()}
    for alarm in alarms(page):
        m = re.search(r"([\d.]+) V this cell's extra resistance", alarm.text)
        low = all(values.get(alarm.cell, np.inf) < middle[what] for what, values in of.items())
        if m and float(m[1]) >= 0.05 and low:
            yield 5, f"low cell: cell {alarm.cell}, {m[0]}; cells: below the middle one"
        if m and float(m[1]) >= 0.3 and cells.verdict.startswith("No cell stands out"):
            yield 22, f"low cell: cell {alarm.cell}, {m[0]}; cells: {cells.verdict}"


def _rest_and_range(page: dict[str, Answer]) -> Found:
    empty = [a for a in alarms(page) if a.verdict == "empty"]
    if not empty:
        return
    rests = {
        (int(m[1]), m[2]): f
        for m, f in _figures(page["low_cell"], r"^cell (\d+) at ([\d.]+) s, at rest$")
    }
    ends = {int(m[1]): f for m, f in _figures(page["cells"], r"^cell (\d+), at rest at the end$")}
    back = sum(f.value for _, f in _figures(page["pack_range"], "energy given back$"))
    for alarm in empty:
        was, end = rests.get((alarm.cell, f"{alarm.time:.1f}")), ends.get(alarm.cell)
        if was is None or end is None or back > 0.5:
            continue
        if end.value - (end.uncertainty or 0) > was.value + (was.uncertainty or 0):
            yield 6, f"cell {alarm.cell}: {was.value:.3f} V at {alarm.time} s, {end.value:.3f} V"
    last = max(alarms(page), key=lambda a: a.time)
    span = max((end for _, end in page["pack_range"].evidence), default=0.0)
    least = [f.value for f in page["pack_range"].figures if f.label == "range left, at least"]
    if last.verdict == "empty" and last.time > span - 60 and least and least[0] >= 1.0:
        yield 7, f"low cell: {last.text}; range: {page['pack_range'].verdict}"


def _held_back(page: dict[str, Answer]) -> Found:
    held = page["held_back"]
    shares = {m[1]: f.value for m, f in _figures(held, "^Held back by (.*)")}
    if "would not have mattered" in held.verdict:
        for name in ("the motor-current limit", "something this log does not show"):
            if shares.get(name, 0.0) > 10:
                yield 8, f"{name} {shares[name]:.0f} %, yet {held.verdict}"
    if shares and (sum(shares.values()) > 100.5 or min(shares.values()) < 0):
        yield 10, f"{shares}"
    shows = {m[1] for line in held.details if (m := re.match(r"(The stated .*?) shows:", line))}
    for line in (*held.details, held.verdict):
        for m in re.finditer(r"(The stated [\w -]*? of [\d.]+[^.]*?) may not have been", line):
            if m[1] in shows:
                yield 9, line


def _energy(page: dict[str, Answer]) -> Found:
    use, packs = page["consumption"], page["pack_range"]
    by = {f.label: f.value for f in use.figures}
    drawn, back = by.get("drawn from the pack"), by.get("given back by braking")
    net = [f.value for _, f in _figures(packs, "energy, net$")]
    if drawn is None or back is None:
        return
    if net and abs(sum(net) - (drawn - back)) > 0.02 * drawn + 0.5:
        yield 11, f"consumption {drawn:.1f} − {back:.1f} Wh, packs {sum(net):.1f} Wh"
    share = by.get("share given back")
    if share is not None and drawn > 0 and abs(share - 100 * back / drawn) > 0.5:
        yield 12, f"{share:.1f} % of {drawn:.1f} Wh is not {back:.1f} Wh"


def _range(page: dict[str, Answer]) -> Found:
    for _, f in _figures(page["pack_range"], "state of charge"):
        if not -1e-6 <= f.value <= 100 + 1e-6:
            yield 13, f"{f.label}: {f.value}"
    by = {f.label: f.value for f in page["pack_range"].figures}
    for label, value in by.items():
        least = by.get(f"{label}, at least")
        if least is not None and least > value + 1e-9:
            yield 13, f"{label}: {value}, at least {least}"


def _one_moment(page: dict[str, Answer]) -> Found:
    for moment in moments(page):
        weighed = (*moment.likely, *moment.possible)

        def named(words: str, among: tuple[str, ...]) -> bool:
            return any(words in name for name in among)

        if "while the throttle stayed" in moment.text and named("rider let go", moment.likely):
            yield 14, moment.text
        if named("speed sensor", moment.likely) and named("wheel slip", moment.likely):
            yield 15, moment.evidence
        itself = named("stopped by itself", weighed)
        if itself and any("stopped by itself" not in name for name in moment.likely):
            yield 16, f"{weighed}"
        within = page["full_pack"].verdict.startswith("No: braking stayed")
        if within and named("over-voltage from braking", moment.likely):
            yield 17, moment.evidence


def _heat(page: dict[str, Answer]) -> Found:
    heat = page["heat"]
    if "No part reaches" in heat.verdict and (heat.figures or "Not judged" in heat.verdict):
        yield 18, heat.verdict
    for line in heat.details:
        if found := HOUR.search(line):
            limit, warm = float(found[1]), float(found[3])
            whole = found[2].startswith("an hour") or "for an hour," in found[2]
            beyond = warm - limit if whole else limit - warm
            if beyond > 0.5:  # °C are told whole
                yield 21, line


def _first_to_end(page: dict[str, Answer]) -> Found:
    cells, reach = page["cells"], page["pack_range"]
    small = re.findall(r"(?<!: )Cell (\d+) [^.]*, so it is empty first", cells.verdict)
    said = " ".join((reach.verdict, *reach.details))
    first = re.search(r"cell (\d+), the first to end", said)
    if small and first and first[1] not in small and "Pack 2" not in cells.verdict:
        yield 23, f"cells: {cells.verdict}; range: {first[0]}"


def _each(page: dict[str, Answer]) -> Found:
    for key, answer in page.items():
        if not answer.known and any(" seen, motor" not in f.label for f in answer.figures):
            yield 19, f"{key}: {answer.verdict}"
        for f in answer.figures:
            doubt = 0.0 if f.uncertainty is None else f.uncertainty
            if not (np.isfinite(f.value) and np.isfinite(doubt) and doubt >= 0):
                yield 20, f"{key}: {f.label} {f.value} ± {f.uncertainty}"


CHECKS: tuple[Callable[[dict[str, Answer]], Found], ...] = (
    _empty_or_sag,
    _resistance,
    _rest_and_range,
    _held_back,
    _energy,
    _range,
    _one_moment,
    _first_to_end,
    _heat,
    _each,
)


# ---- rides ---------------------------------------------------------------------------------------


def struck(ride: Ride, chance: np.random.Generator) -> Ride:
    """Return the ride with a fault reported while its lowest cell was lowest, or at any time."""
    time = float(chance.uniform(0.2, 0.95)) * ride.duration
    cells = [(stream, key) for key in ride.keys("cell_voltage") if (stream := ride.find(key))]
    lows = [
        (float(np.nanmin(s.values[k])), float(s.time[np.nanargmin(s.values[k])]))
        for s, k in cells
        if np.isfinite(s.values[k]).any()
    ]
    if lows and chance.random() < 0.8:
        time = min(lows)[1] + 0.2
    event = RideEvent(time, EventKind.FAULT, 9, 0, "drive cut")
    return replace(ride, events=tuple(sorted((*ride.events, event), key=lambda e: e.time)))


def alarmed(ride: Ride, board: BoardFile, chance: np.random.Generator) -> BoardFile:
    """Return the board file with an alarm voltage that the lowest cell reached for a while, so
    that there is something to contradict."""
    keys = ride.keys("cell_voltage")
    stream = ride.find(keys[0]) if keys else None
    if stream is None or chance.random() < 0.3:
        return board
    low = np.fmin.reduce([stream.values[key] for key in keys if key in stream.values])
    low = low[np.isfinite(low)]
    if not len(low):
        return board
    alarm = round(float(np.quantile(low, chance.uniform(0.002, 0.1))), 2)
    return replace(board, battery=replace(board.battery, cell_alarm=alarm))


def _script(seed: int) -> tuple[Ride, BoardFile | None]:
    """A minute of pulses by Ohm's law and one diffusion lag, a pack of any charge, cells unequal,
    then a cut."""
    chance = np.random.default_rng([seed, 31])
    script = Script(float(chance.uniform(3.2, 4.15)), seed)
    script.open -= np.interp(script.time, [0, AT + 9], [0, chance.uniform(0.0, 0.5)])
    at = int(chance.integers(6))
    script.open[at] -= chance.choice([0.0, chance.uniform(0.0, 0.3)])
    script.ohms[int(chance.integers(6))] *= chance.choice([1.0, chance.uniform(1.2, 4.0)])
    script.leads = float(chance.uniform(0.0, 0.03))
    script.cut()
    # A cell's lag is a share of its own resistance behind one time constant.
    keep = np.exp(-0.01 / chance.uniform(5.0, 25.0))
    lagging = scipy.signal.lfilter([1 - keep], [1, -keep], script.load)
    script.open -= chance.uniform(0.3, 0.8) * script.ohms[:, None] * lagging
    return script.ride(events=fault("drive cut") if chance.random() < 0.6 else ()), SCRIPT_BOARD


def _limits(seed: int) -> tuple[Ride, BoardFile | None]:
    batch, at = divmod(seed // 5, AT_ONCE)  # every fifth seed is this family's
    return _batch(batch)[at], None


@lru_cache(maxsize=2)
def _batch(number: int) -> tuple[Ride, ...]:
    """Return :data:`AT_ONCE` rides stepped together, which costs hardly more than one."""
    first = 1 + number * AT_ONCE
    return tuple(m.ride for m in limits_rides([vehicle(first + n) for n in range(AT_ONCE)], 90.0))


def _cells(seed: int) -> tuple[Ride, BoardFile | None]:
    made, chance = make_ride_of(seed), np.random.default_rng([seed, 32])
    return struck(made.ride, chance), alarmed(made.ride, made.board, chance)


def _sensors(seed: int) -> tuple[Ride, BoardFile | None]:
    chance = np.random.default_rng([seed, 33])
    ride = own_ride(seed)
    cells = len(ride.keys("cell_voltage"))
    alarm = chance.uniform(3.2, 3.8)
    text = (
        f'name = "b"\n[battery]\ncell_full = 4.2\ncell_alarm = {alarm:.2f}\n[[battery.units]]\n'
        f'name = "box"\nseries = {max(cells, 1)}\nparallel = 4\ncell_capacity = 3\n'
    )
    fault_name = str(chance.choice([*FAULTS, "none"]))
    found = broken(ride, fault_name, seed) if fault_name != "none" else None
    ride = found.ride if found is not None else ride
    return struck(ride, chance), read_board_file(text, "contradictions")


def _simulator(seed: int) -> tuple[Ride, BoardFile | None]:
    knowledge = ("settings", "in force", "nothing")[seed % 3]
    made, chance = simulated_ride(seed, knowledge), np.random.default_rng([seed, 34])
    return struck(made.ride, chance), alarmed(made.ride, made.board_file, chance)


FAMILIES: dict[str, Callable[[int], tuple[Ride, BoardFile | None]]] = {
    "Ohm's law": _script,
    "limits": _limits,
    "sensors, sound and broken": _sensors,
    "cells": _cells,
    "simulator": _simulator,
}


def rides(
    cases: int, seed: int, names: Sequence[str] = tuple(FAMILIES)
) -> Iterator[tuple[str, int, Ride, BoardFile | None]]:
    """Yield ``cases`` rides from ``seed`` on, the families ``names`` in turn; a pack that the cell
    model cannot ride to the end is passed over, and the next one taken."""
    made, number = 0, seed
    while made < cases:
        name = names[made % len(names)]
        try:
            ride, board = FAMILIES[name](number)
        except CannotSolve:
            number += 1
            continue
        yield name, number, ride, board
        made, number = made + 1, number + 1


@dataclass(frozen=True)
class Judged:
    """One ride of the bench: which, whether its page tells a fault and a low cell, and what of it
    cannot both hold; ``why`` it has no answers, where it has none."""

    family: str
    number: int
    fault: bool
    low: bool
    found: tuple[tuple[int, str], ...]
    why: str = ""


def judged(family: str, number: int, ride: Ride, board: BoardFile | None) -> Judged:
    """Return what the checker finds on the page of one ride."""
    try:
        said = answers(ride, board)
    except SaglineError as error:
        return Judged(family, number, False, False, (), str(error))
    page = {answer.key: answer for answer in said}
    found = tuple(contradictions(said))
    return Judged(family, number, bool(moments(page)), bool(alarms(page)), found)


def rows(cases: int, seed: int) -> dict[str, list[Judged]]:
    """Return what is found on the pages of ``cases`` rides from ``seed`` on."""
    return {"rides": [judged(*one) for one in rides(cases, seed)]}


def tables_of(found: dict[str, list[Judged]]) -> list[tuple[str, str]]:
    """Return how many rides of each family have answers that contradict each other, and which."""
    lines = [
        "| family | rides | with a fault | with a low cell | contradict themselves |",
        "|---|---:|---:|---:|---:|",
    ]
    for family in FAMILIES:
        own = [one for one in found["rides"] if one.family == family]
        counts = [len(own)]
        counts += [sum(of) for of in ([o.fault for o in own], [o.low for o in own])]
        counts.append(sum(bool(o.found) for o in own))
        lines.append(f"| {family} | {' | '.join(str(n) for n in counts)} |")
    told = []
    for one in found["rides"]:
        which = f"- {one.family} {one.number}"
        told += [f"{which}: no answers: {one.why}"] if one.why else []
        told += [f"{which}, pair {pair}: {words}" for pair, words in one.found]
    return [("Answers of one page that cannot both hold", "\n".join([*lines, "", *told]))]


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the table of ``cases`` rides from ``seed`` on."""
    return tables_of(rows(cases, seed))
