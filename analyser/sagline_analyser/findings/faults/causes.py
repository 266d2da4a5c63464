"""Candidate causes of a fault, ranked by the evidence for and against each.

Each cause is weighed by what an experienced builder looks for: did the voltage move as the load
explains, did the cells hold, what was hot, what jumped as no machine can.  The points only rank
and are our judgement (common practice, no source); a likelihood in words follows from them, and
no sum of them makes a certainty.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from sagline_logger.format import EventKind

from ...load.ride import RideSegment
from ..cells.low_cell import LowCell
from ..readings.gathered import Gathered
from ..readings.series import Series
from ..readings.summary import words
from ..readings.unknown import NotKnown
from ..sensors.doubt import SensorDoubt
from ..telling.certainty import TOLD, Likelihood
from .cells import CellBelief
from .contact import contact_evidence
from .moments import GONE, HARD, drops
from .scene import LOW, NEAR, Scene
from .signals import Evidence, failed_sensors, steady_or_not, throttle_evidence, turning_evidence
from .story import Candidate, FaultStory, quantity, relative, span_text

LIKELY, POSSIBLE = 3.0, 1.5
"""Points from which a cause is called so."""

NEAR_HEAT = 5.0
"""K below a temperature limit that count as near it (our choice)."""

JUST_BELOW = 1.0
"""K below a limit that a reading may be when the part itself has passed it (our choice: the steps
and the noise of a sensor)."""

LEAP, LEAP_RATE = 15.0, 15.0
"""K between two readings, and K/s, beyond which a temperature is its sensor's doubt (our choice:
what a machine's mass allows is some K/s; common practice, no source)."""

SUDDEN = 0.1
"""s within which a current that ends counts as switched off (our choice: a power stage that is
switched off ends its current within tens of ms, a cut-back or a hand takes longer; common practice,
no source)."""

EASED = 0.6
"""Share of a working current that must still flow when it is switched off (our choice)."""

HEAT_AGE = 30.0
"""s for which a temperature reading stands: heat is slow."""


@dataclass
class Weighing:
    """The points of one cause so far."""

    key: str
    name: str
    check: str
    score: float = 0.0
    pro: list[str] = field(default_factory=list)
    con: list[str] = field(default_factory=list)
    lacking: bool = False
    most: float = np.inf
    """Points beyond which no evidence lifts it."""

    def add(self, points: float, text: str) -> None:
        """Count evidence: positive points speak for the cause, negative ones against it."""
        self.score += points
        (self.pro if points > 0 else self.con).append(text)

    def lack(self, text: str) -> None:
        """Note that the channel this cause would show in is not there."""
        self.lacking = True
        self.con.append(text)

    def cause(self) -> Candidate:
        """Return the result in words."""
        likelihood = Likelihood.UNLIKELY
        score = min(self.score, self.most)
        if score >= POSSIBLE:
            likelihood = Likelihood.LIKELY if score >= LIKELY else Likelihood.POSSIBLE
        elif self.lacking and score >= 0:
            likelihood = Likelihood.UNJUDGED
        return Candidate(
            self.key,
            self.name,
            likelihood,
            round(score, 2),
            tuple(self.pro),
            tuple(self.con),
            self.check,
        )


Weigh = Callable[[Scene, Weighing], None]


def rank_causes(
    it: Gathered,
    story: FaultStory,
    belief: CellBelief | None = None,
    sensors: Sequence[SensorDoubt] = (),
) -> tuple[Candidate, ...]:
    """Return the causes to weigh for ``story``, the likeliest first."""
    scene = Scene(it, story, belief or CellBelief(it), tuple(sensors))
    for key, (name, check, weigh, texts) in CAUSES.items():
        weighing = Weighing(key, name, check)
        weigh(scene, weighing)
        _reported(scene, weighing, texts)
        scene.weighed.append(weighing.cause())
    return tuple(sorted(scene.weighed, key=lambda cause: -cause.score))


def _reported(scene: Scene, weighing: Weighing, words: str) -> None:
    """The board's own fault text names what it cut for, in its maker's words."""
    if said := _said(scene, words):
        weighing.add(1.0, f"the board itself reported “{said}”")


def _said(scene: Scene, words: str) -> str:
    """Return the board's own text of this fault where it holds one of ``words``, or nothing."""
    if not words:
        return ""
    for event in scene.ride.events:
        near = abs(event.time - scene.at) < 1.0 and event.kind == EventKind.FAULT
        if near and re.search(words, event.text, re.IGNORECASE):
            return event.text
    return ""


def _ago(scene: Scene, time: float) -> str:
    return relative(time - scene.at)


BETWEEN = 0.02
"""V by which a cell may lie lower between two readings that were sent, or by the board's own (our
choice: a load that moves by some amperes)."""


def _low_level(scene: Scene) -> float | None:
    """Return the cell voltage below which a controller cuts: stop, else alarm, else cut-back."""
    for kind in ("alarm", "stop"):
        if (limit := scene.level(kind, channel="cell_voltage", above=False)) is not None:
            return limit.value
    return None


def _low(scene: Scene, w: Weighing) -> tuple[bool, float | None]:
    """Weigh whether any low-voltage limit was reached; return that and the cell level."""
    level = _low_level(scene)
    low = False
    if scene.lowest is not None and level is not None:
        key, _, value, when = scene.lowest
        # The board that reported it reads more often than it sends.
        low = value <= level + (BETWEEN if scene.says_low else 0.0)
        near = [float(part.value[-1]) for _, one in scene.cells if len(part := scene.before(one))]
        side = "not above" if value <= level else "as good as at" if low else "above"
        w.add(
            1.5 if low else -1.5,
            f"cell {scene.ride.index(key)} was lowest at {quantity(value, 'V')} "
            f"{_ago(scene, when)} (median cell {quantity(float(np.median(near)), 'V')}), "
            f"{side} its alarm voltage {quantity(level, 'V')}",
        )
    start = scene.level("setting", channel="pack_voltage", above=False)
    if scene.voltage is not None and start is not None and scene.vanished is None:
        least = float(np.min(scene.before(scene.voltage).value, initial=np.inf))
        under = least <= start.value
        low = low or under
        w.add(
            1.0 if under else -1.0,
            f"the pack voltage went down to {quantity(least, 'V')}, "
            f"{'below' if under else 'above'} the {quantity(start.value, 'V')} where the "
            "controllers begin to cut",
        )
    if not scene.cells and start is None:
        w.lack("no cell voltages, and no cut-back voltage in the board file")
    elif level is None and start is None:
        w.lack("no alarm voltage of a cell in a board file to compare with")
    if scene.vanished is not None:
        w.add(-2.0, "the supply at the controller vanished at once; an empty or sagging pack sinks")
    return low, level


def _judged(scene: Scene, level: float | None) -> LowCell | None:
    """Return what the low cell means, as the low-cell answer says it; None where nothing was."""
    if scene.lowest is None or level is None:
        return None
    return scene.belief.low_at(*scene.lowest, level)


def _meaning(scene: Scene, one: LowCell) -> str:
    read = f"cell {one.cell} read {quantity(one.span.peak, 'V')} {_ago(scene, one.span.peak_time)}"
    return f"{read}: {one.meaning.removesuffix('.').replace('. Of', '; of')}"


def _rest(scene: Scene, w: Weighing, level: float) -> None:
    """Weigh what the lowest cell shows without load where the ride has no belief on it."""
    if scene.lowest is None or (found := scene.rest(*scene.lowest[:2])) is None:
        return
    rest, how = found
    text = (
        f"cell {scene.ride.index(scene.lowest[0])} shows {quantity(rest, 'V')} without load "
        f"({how}), alarm voltage {quantity(level, 'V')}"
    )
    w.add(1.0 if (rest <= level + 0.02) == (w.key == "empty") else -1.0, text)


def _by_belief(scene: Scene, w: Weighing, level: float | None) -> None:
    """Weigh an empty cell, or sag, by what the low-cell answer says of the same cell.

    That answer also bounds how likely either may be called: none is likely where it cannot tell,
    and a cell that it calls sag is not empty here.
    """
    if level is None or (one := _judged(scene, level)) is None:
        return
    own = "empty" if w.key == "empty" else "sag"
    if isinstance(one.verdict, NotKnown):
        w.con.append(f"the low-cell answer cannot judge it: {one.meaning}")
        _rest(scene, w, level)
        w.most = LIKELY - 0.1
    elif one.verdict == "unclear":
        w.add(0.5, _meaning(scene, one))
        w.most = LIKELY - 0.1
    else:
        agrees = one.verdict == own
        w.add(2.0 if agrees else -2.0, _meaning(scene, one))
        if not agrees:
            # An empty cell may sag too; a cell that only sags is not empty.
            w.most = POSSIBLE - 0.1 if own == "empty" else LIKELY - 0.1


def _empty(scene: Scene, w: Weighing) -> None:
    low, level = _low(scene, w)
    if low:
        _by_belief(scene, w, level)


def _sag(scene: Scene, w: Weighing) -> None:
    low, level = _low(scene, w)
    load = scene.load_at(scene.lowest[3]) if scene.lowest else None
    if load is not None and scene.strongest:
        hard = load >= 0.5 * scene.strongest
        w.add(
            0.5 if hard else -1.5,
            f"the pack then gave {quantity(load, 'A')} (strongest in the "
            f"minutes before {quantity(scene.strongest, 'A')})",
        )
    if not low:
        return
    _by_belief(scene, w, level)
    one = _judged(scene, level)
    cell = scene.belief.compared(one.cell, one.span.peak_time) if one else None
    if cell is not None:
        share = 100 * cell.above[0]
        w.add(
            1.0 if cell.weak else -0.25,
            f"cell {cell.number} has {share:.0f} % more resistance than the others"
            if cell.weak
            else f"the resistance of cell {cell.number} does not stand out",
        )


def _connector(scene: Scene, w: Weighing) -> None:
    if scene.voltage is None:
        w.lack("no voltage measured at the controller")
        _restart_under_load(scene, w)
        return
    falls = [jump for jump in scene.jumps if jump.size < 0]
    rises = [jump for jump in scene.jumps if jump.size > 0]
    resists = contact_evidence(scene)
    for points, text in resists:
        w.add(points, text)
    if resists and not scene.cells:
        w.con.append("without cell voltages, cells that resist look the same")
    if not falls:
        if not resists:
            w.add(-2.0, "the voltage moved no more than the load explains")
    else:
        jump = max(falls, key=lambda one: -one.size - one.due)
        w.add(
            2.0,
            f"the voltage fell by {quantity(-jump.size, 'V')} between two readings "
            f"{_ago(scene, jump.time)}; the load explains {quantity(jump.due, 'V')} "
            "of it",
        )
        if len(falls) > 1:
            w.add(1.0, f"it did so {len(falls)} times")
        if rises and rises[-1].time > falls[0].time and scene.vanished is None:
            apart = span_text(rises[-1].time - falls[0].time)
            w.add(1.0, f"it came back within {apart}, as a contact that opens and closes does")
        if scene.vanished is not None:
            w.add(-1.0, "the voltage did not come back in the window")
        _cells_held(scene, w, jump.time, 1.0)
    _restart_under_load(scene, w)


def _restart_under_load(scene: Scene, w: Weighing) -> None:
    if (segment := _restart(scene)) is None:
        return
    step = segment.voltage_step
    if step is not None and abs(step) < 0.1 * abs(scene.usual_voltage):
        w.add(
            1.0,
            f"the board started anew {_ago(scene, segment.start)} with the pack as it was "
            f"({step:+.2f} V): its supply had been away",
        )


def _restart(scene: Scene) -> RideSegment | None:
    """Return the start of the board that the moment led to: its readings ended about then."""
    for before, segment in pairwise(scene.ride.segments):
        if -1.0 <= before.end - scene.at <= 1.5:
            return segment
    return None


def _cells_held(scene: Scene, w: Weighing, time: float, points: float) -> bool:
    """Weigh whether the cells kept their voltage while the controller's fell at ``time``."""
    if scene.cell_sum is None:
        return False
    after = scene.readings(scene.cell_sum, time - scene.at, scene.end - scene.at)
    before = scene.readings(scene.cell_sum, -NEAR - 3.0, time - scene.at - 1e-3)
    if not len(after) or not len(before):
        w.con.append("no cell was read after the voltage fell")
        return False
    least, usual = float(after.value.min()), float(np.median(before.value))
    held = least > 0.85 * usual
    text = (
        f"the cells together read {quantity(least, 'V')} after it ({quantity(usual, 'V')} before)"
    )
    w.add(points if held else -points, f"{text}: they {'held' if held else 'fell too'}")
    return held


def _management(scene: Scene, w: Weighing) -> None:
    if scene.voltage is None:
        w.lack("no voltage measured at the controller")
        return
    if scene.vanished is None:
        least = float(np.min(scene.before(scene.voltage).value, initial=np.inf))
        w.add(
            -2.5, f"the supply at the controller was still there ({quantity(least, 'V')} at least)"
        )
        return
    last = scene.readings(scene.voltage, 0.0, scene.end - scene.at)
    left = float(last.value[-1]) if len(last) else float(scene.voltage.value[-1])
    w.add(
        2.0,
        f"the supply at the controller vanished {_ago(scene, scene.vanished)} and stayed "
        f"away ({quantity(scene.usual_voltage, 'V')} before, {quantity(left, 'V')} at the "
        "end)",
    )
    _cells_held(scene, w, scene.vanished, 1.5)
    load = scene.load_at(scene.vanished - 0.1)
    if load is not None and scene.strongest and load >= 0.8 * scene.strongest:
        w.add(0.5, f"the pack gave {quantity(load, 'A')} just before, near its strongest")
    level = _low_level(scene)
    if scene.lowest and level and scene.lowest[2] <= level:
        w.add(0.5, f"one cell read {quantity(scene.lowest[2], 'V')}, low enough for its guard")


def _hot(part: str, channel: str) -> Weigh:
    def weigh(scene: Scene, w: Weighing) -> None:
        found = []
        for key, index, series in scene.columns(channel):
            near = scene.before(series, HEAT_AGE)
            limit = scene.level("limit", channel=channel, above=True, index=index)
            if len(near) and limit is not None:
                found.append((float(near.value[-1]) - limit.value, key, near, limit.value))
        if not found:
            have = any(scene.columns(channel))
            w.lack(
                f"no temperature limit of the {part} in a board file"
                if have
                else f"no {part} temperature"
            )
            return
        over, key, near, limit_value = max(found, key=lambda one: one[0])
        if (leap := _leap(scene, key, near)) is not None:
            w.add(-3.0, leap)
            return
        rise = float(near.value[-1] - near.value[0])
        text = (
            f"{words(scene.ride, key)} read {quantity(float(near.value[-1]), '°C')} "
            f"{_ago(scene, float(near.time[-1]))}, limit {quantity(limit_value, '°C')}"
        )
        # A reading is late by its period, and no finer than its steps: one that was as good as at
        # the limit may have passed it unread.
        late = max(JUST_BELOW, 2 * abs(rise) / max(len(near) - 1, 1))
        reached = 2.5 if over >= 0 else 2.0 if over >= -late else 1.0
        w.add(reached if over >= -NEAR_HEAT else -2.5, text)
        if over >= -NEAR_HEAT and rise > 1.0:
            w.add(0.5, f"it had risen by {rise:.0f} K in {span_text(near.time[-1] - near.time[0])}")
        long = next(
            (s for s in scene.story.crossed if s.channel == key and s.kind == "limit"), None
        )
        if long is not None and scene.at - long.time > 60:
            w.add(-1.0, f"it had been over that for {scene.at - long.time:.0f} s without a cut")

    return weigh


def _leap(scene: Scene, key: str, near: Series) -> str | None:
    """Return how a temperature leapt as no machine can, None where it did not."""
    step = np.abs(np.diff(near.value))
    if not np.any((step > LEAP) & (step > LEAP_RATE * np.diff(near.time))):
        return None
    n = int(np.argmax(step))
    a, b = (quantity(float(near.value[k]), "°C") for k in (n, n + 1))
    return (
        f"{words(scene.ride, key)} went from {a} to {b} between two readings: no machine warms so "
        "fast, the sensor or its lead is in doubt"
    )


def _heat_signal(scene: Scene, w: Weighing) -> None:
    """Weigh whether a controller stopped for a temperature that was none: at most possible, for
    the log does not show what its controller acts on."""
    names = ("motor_temperature", "controller_temperature", "battery_temperature")
    found = failed_sensors(scene, HEAT_AGE / 6, *names)
    if not found:
        found = [
            (2.0, text)
            for name in names
            for key, _, series in scene.columns(name)
            if (text := _leap(scene, key, scene.before(series, HEAT_AGE / 6))) is not None
        ]
    for _, text in found[:1]:
        w.add(2.0, text)
        w.con.append("a log does not show which reading the controller acts on")
    w.most = LIKELY - 0.1
    if not found:
        w.add(-3.0, "no temperature reading failed just before")


def _over_current(scene: Scene, w: Weighing) -> None:
    found = []
    for key, index, series in scene.columns("motor_current"):
        near = scene.readings(series, -0.5, 0.05)
        if not len(near):
            continue
        past = np.abs(scene.readings(series, -1e9, -0.5).value)
        limit = scene.level("burst", channel="motor_current", above=True, index=index)
        setting = scene.level("setting", channel="motor_current", above=True, index=index)
        bounds = [limit.value] if limit else []
        # A controller overshoots the current it is told to keep (common practice, no source).
        bounds += [1.2 * setting.value] if setting else []
        usual = float(np.quantile(past, 0.999)) if len(past) > 40 else np.nan
        if not bounds and usual == usual:
            bounds = [1.4 * usual]
        if bounds:
            n = int(np.argmax(np.abs(near.value)))
            peak = abs(float(near.value[n]))
            found.append((peak / min(bounds), peak, min(bounds), usual, key, float(near.time[n])))
    if not found:
        w.lack("no motor current just before, or nothing to compare it with")
        return
    share, peak, bound, usual, key, when = max(found)
    was = f"; most in the minutes before {quantity(usual, 'A')}" if usual == usual else ""
    w.add(
        3.0 if share > 1 else -2.0,
        f"{words(scene.ride, key)} peaked at {quantity(peak, 'A')} {_ago(scene, when)}, "
        f"{'over' if share > 1 else 'within'} {quantity(bound, 'A')}{was}",
    )


def _over_voltage(scene: Scene, w: Weighing) -> None:
    if scene.current is None:
        w.lack("no battery current")
        return
    back = scene.before(scene.current, 1.0)
    least = float(back.value.min()) if len(back) else 0.0
    if least > -1.0:
        w.add(-3.0, "the pack was not being charged: no braking current went back")
        return
    over = []
    for key, series in [
        *scene.cells,
        *([("pack_voltage", scene.voltage)] if scene.voltage else []),
    ]:
        name = "pack_voltage" if key == "pack_voltage" else "cell_voltage"
        limit = scene.level("full", "limit", channel=name, above=True)
        near = scene.before(series, 1.0)
        if limit and len(near):
            over.append(
                (float(near.value.max()) - limit.value, key, float(near.value.max()), limit)
            )
    if not over:
        w.lack("no full voltage of a cell in a board file, or no voltage to compare with it")
        return
    above, key, value, limit = max(over, key=lambda one: one[0])
    text = (
        f"{words(scene.ride, key)} reached {quantity(value, 'V')} "
        f"({'above' if above > 0 else 'below'} {limit.arithmetic}) with {quantity(least, 'A')} "
        "going back"
    )
    w.add(3.0 if above > 0 else -2.0, text)


def _link(scene: Scene, w: Weighing) -> None:
    gap = next(
        (g for g in scene.ride.link_gaps if -1.0 <= g.start - scene.at <= 5.0), None
    )  # the logger notices a dead link only some time after its last frame
    if gap is None:
        w.add(-3.0, "the link stayed up")
        return
    w.add(
        2.5,
        f"the logger noted the link down {_ago(scene, gap.start)} "
        f"({gap.evidence or 'no reason given'})",
    )
    restarts = [s for s in scene.ride.segments[1:] if s.start >= scene.at]
    if restarts and (gap.end is None or restarts[0].start <= gap.end + 5.0):
        w.add(-2.0, "the board had started anew when it came back: it lost its supply or reset")
    elif gap.end is not None:
        w.add(
            1.0,
            f"the board ran on while unheard: back after {span_text(gap.end - gap.start)} "
            "without a new start",
        )
    if scene.jumps or scene.vanished is not None:
        w.add(-1.5, "the voltage had jumped or vanished before")


def _reset(scene: Scene, w: Weighing) -> None:
    segment = _restart(scene)
    if segment is None:
        w.add(-3.0, "the board did not start anew")
        return
    w.add(2.5, f"the board started anew {_ago(scene, segment.start)}")
    if scene.jumps or scene.vanished is not None:
        w.add(-1.5, "the voltage had jumped or vanished before: it lost its supply")
    elif scene.voltage is not None and len(near := scene.before(scene.voltage)):
        w.add(
            0.5,
            f"its supply read {quantity(float(near.value[-1]), 'V')} to the last: no dip "
            "seen at this rate of reading",
        )


def _signal(evidence: Callable[[Scene], Evidence], lacks: str) -> Weigh:
    def weigh(scene: Scene, w: Weighing) -> None:
        found = evidence(scene)
        for points, text in found:
            w.add(points, text)
        if not found:
            w.lack(lacks)

    return weigh


def _slip(scene: Scene, w: Weighing) -> None:
    _signal(lambda scene: turning_evidence(scene).slip, "no speed of a motor")(scene, w)
    # A board that says what it cut for knows why its motors stopped.  Each motor adds its points:
    # two that start or stop at once would outweigh that.
    others = (words for key, (_, _, _, words) in CAUSES.items() if key != w.key)
    if w.score > 0 and (said := next(filter(None, (_said(scene, one) for one in others)), "")):
        w.add(-1.0, f"the board itself reported “{said}”")
        w.most = LIKELY - 0.1
    for cause in scene.weighed:
        if w.score > 0 and cause.key == "empty" and cause.likelihood in TOLD:
            w.add(-2.0, "a cell was at its end, which makes a motor stop without any slip")
            w.most = LIKELY - 0.1


def _by_itself(scene: Scene, w: Weighing) -> None:
    """Weigh a controller that stopped though nothing recorded made it stop: the last candidate."""
    if scene.current is None:
        w.lack("no battery current")
        return
    near = scene.readings(scene.current, -1.0, 0.5)
    falls = drops(near, 1 - GONE, max(HARD * scene.strongest, 2.0))
    if not falls:
        w.add(-3.0, "the current did not end at once")
        return
    high, after = falls[0]
    ended = float(near.time[after])
    last = min(int(np.searchsorted(near.time, ended - SUDDEN)), after - 1)
    full = near.value[last:after] >= 0.8 * near.value[last:after].max()
    most = last + int(np.flatnonzero(full)[-1])
    begun = float(near.time[most])
    # A motor at its duty ceiling may have been easing off already; what matters is how the rest of
    # the current ended.
    if near.value[most] < EASED * near.value[high]:
        w.add(
            -2.0,
            f"the current took {span_text(ended - float(near.time[high]))} to end, as a "
            "cut-back does",
        )
        return
    w.add(
        1.5,
        f"the battery current went from {quantity(float(near.value[most]), 'A')} to "
        f"{quantity(float(near.value[after]), 'A')} within "
        f"{span_text(ended - begun)}",
    )
    _voltage_rose(scene, w, begun, ended)
    throttle = next((series for _, _, series in scene.columns("throttle")), None)
    held = None if throttle is None else scene.readings(throttle, *_about(scene, ended, 0.3))
    if throttle is None or held is None or not len(held):
        w.lack("no reading of the throttle after it")
        w.most = LIKELY - 0.1
    else:
        was = scene.readings(throttle, *_about(scene, begun - 0.3, 0.3)).value
        open_ = len(was) > 0 and float(held.value.min()) >= 0.7 * float(np.median(was))
        open_ = open_ and float(np.median(was)) >= 0.15
        did = "stayed open" if open_ else "was being closed"
        read = quantity(float(held.value.min()), "1")
        w.add(1.0 if open_ else -3.0, f"the throttle {did} ({read})")
    _nothing_else(scene, w)


def _about(scene: Scene, start: float, seconds: float) -> tuple[float, float]:
    return start - scene.at, start + seconds - scene.at


def _voltage_rose(scene: Scene, w: Weighing, begun: float, ended: float) -> None:
    """Weigh whether the supply recovered when the current ended, as it does from a mere load."""
    for what, series in (("pack voltage", scene.voltage), ("sum of the cells", scene.cell_sum)):
        if series is None:
            continue
        was = scene.readings(series, *_about(scene, begun - 0.5, 0.5)).value
        then = scene.readings(series, *_about(scene, ended, 0.8)).value
        if len(was) and len(then):
            rise = float(np.median(then) - np.median(was))
            w.add(
                1.0 if rise > 0 else -2.0,
                f"the {what} {'rose' if rise > 0 else 'fell'} by {quantity(abs(rise), 'V')} with "
                "it",
            )
            return
    w.lack("no voltage around it")
    w.most = LIKELY - 0.1


def _nothing_else(scene: Scene, w: Weighing) -> None:
    """Weigh what else was recorded: a limit that was passed is the better reason to stop."""
    fits = [cause for cause in scene.weighed if cause.likelihood in TOLD]
    for cause in fits:
        w.add(-2.5, f"something else fits: {cause.name}")
    open_ = [c.name.partition(":")[0] for c in scene.weighed if c.likelihood == Likelihood.UNJUDGED]
    if open_:
        w.add(-1.0, f"not to be ruled out, for want of readings or limits: {'; '.join(open_)}")
    elif not fits:
        w.add(0.25, "no limit was passed and no signal jumped")


CAUSES: dict[str, tuple[str, str, Weigh, str]] = {
    "empty": (
        "an empty cell or pack: low-voltage cut-back or cut-off",
        "rest the pack and read every cell; charge it before drawing on it again",
        _empty,
        LOW,
    ),
    "sag": (
        "sag under load: a weak cell or a high resistance",
        "measure each cell's sag under the same load; look for warm joints and a tired cell",
        _sag,
        r"\blow|under.?volt|below stop",
    ),
    "connector": (
        "a loose or arcing connector or power lead",
        "with the pack unplugged, look for play, burnt contacts and broken strands from the pack "
        "to the controller",
        _connector,
        "",
    ),
    "management": (
        "the supply cut off: the battery's own protection, a fuse, or a power lead that came off",
        "see whether the lead and its plug still hold; read the pack's terminals before and behind "
        "its protection and fuse",
        _management,
        r"\bbms\b|protection",
    ),
    "controller_hot": (
        "controller over-temperature",
        "feel for airflow and thermal contact once it has cooled",
        _hot("controller", "controller_temperature"),
        r"controller.*(temp|hot|heat)|over.?temp",
    ),
    "motor_hot": (
        "motor over-temperature",
        "let it cool; lower the motor current or the gearing",
        _hot("motor", "motor_temperature"),
        r"motor.*(temp|hot|heat)",
    ),
    "over_current": (
        "over-current in a motor or its controller",
        "look at phase leads for chafing, and at the current settings",
        _over_current,
        r"over.?current",
    ),
    "over_voltage": (
        "over-voltage from braking into a full pack",
        "lower the charge current in the settings, and brake less on a full pack",
        _over_voltage,
        r"over.?volt",
    ),
    "throttle_signal": (
        "a fault of the throttle signal",
        "wiggle the throttle's plug and cable with the wheels off the ground and nothing near them",
        _signal(throttle_evidence, "no throttle channel"),
        r"throttle",
    ),
    "heat_signal": (
        "a controller that stopped for the reading of a temperature sensor that failed",
        "check the temperature sensor's plug and cable; the part itself need not have been hot",
        _heat_signal,
        "",
    ),
    "speed_signal": (
        "a fault of a rotor or speed sensor",
        "check the sensor's plug, cable and magnet gap",
        _signal(lambda scene: turning_evidence(scene).sensor, "no speed of a motor"),
        r"hall|sensor|encoder",
    ),
    "slip": (
        "wheel slip, or a belt or chain lost",
        "look at belt, chain, key and tyre",
        _slip,
        "",
    ),
    "rider": (
        "the rider let go or braked",
        "nothing, if it was meant",
        _signal(steady_or_not, "no throttle channel"),
        "",
    ),
    "link": (
        "the radio or cable link lost",
        "look at the distance, the antenna or the plug",
        _link,
        "",
    ),
    "reset": (
        "a reset of the board",
        "look at its supply at faster readings, and at its own reset note",
        _reset,
        r"reset|watchdog|brown",
    ),
    "by_itself": (
        "the controller stopped by itself",
        "read the controller's own fault memory before it is switched off; look at its supply and "
        "its release inputs",
        _by_itself,
        "",
    ),
}
"""Key → (name, what to check next, how it is weighed, words of a fault text that point to it)."""
