"""Packs by name: who says it, what the index keeps of each, and what is joined."""

import random
from dataclasses import replace

import numpy as np
import pytest

from sagline_analyser.findings.belief.rest_points import rest_points
from sagline_analyser.findings.readings.pack_names import pack_names
from sagline_analyser.findings.readings.packs import PackSpan, pack_spans
from sagline_analyser.load.ride import RideMark
from sagline_analyser.rides.library import LibraryEntry
from sagline_analyser.rides.pack_history import look_alike, pack_history
from sagline_analyser.rides.ride_figures import CellFigures, PackFigures, RideFigures, figures_of
from sagline_analyser.rides.trends import write_trends
from sagline_logger.format import read_board_file
from sagline_logger.simulator import KESTREL, Leg, PackSwap, Scenario, Simulation
from support import logs
from support.rides import channel, make_ride, make_stream

BOARD = read_board_file(
    'name = "Kestrel"\n[battery]\n[[battery.units]]\nname = "red box"\nseries = 2\nparallel = 1\n',
    "test",
)
ONE = [PackSpan(1, 0.0, 100.0)]
TWO = [PackSpan(1, 0.0, 50.0), PackSpan(2, 50.0, 100.0, "a cell's voltage changed")]


def ride(*marks: tuple[float, str], **settings: str):
    stream = make_stream("s", [0.0, 100.0], {channel("battery_current", "A"): [0.0, 0.0]})
    told = tuple(RideMark(time, n, text) for n, (time, text) in enumerate(marks, 1))
    return make_ride(stream, marks=told, settings=settings)


@pytest.mark.parametrize(
    ("made", "board", "spans", "names"),
    [
        (ride(), None, ONE, ("",)),
        (ride(), BOARD, ONE, ("red box",)),
        (ride(), BOARD, TWO, ("", "")),
        (ride(pack=" A  1 "), BOARD, ONE, ("A 1",)),
        (ride(pack="A"), BOARD, TWO, ("A", "")),
        (ride((60.0, "Pack: B"), pack="A"), BOARD, TWO, ("A", "B")),
        (ride((50.0, "pack:B"), (100.0, "pack: C")), None, TWO, ("", "C")),
        (ride((10.0, "pack:"), (11.0, "packed lunch"), (12.0, "")), None, ONE, ("",)),
        (ride((10.0, "pack: B"), pack="A"), None, ONE, ("B",)),
    ],
)
def test_who_names_a_pack(made, board, spans, names):
    assert pack_names(made, board, spans) == names


TIME = np.arange(0.0, 1200.0, 0.5)


def kept_on(
    change: float = 0.0,
    hole: float = 0.0,
    streams: int = 2,
    marks: tuple[tuple[float, str], ...] = (),
    loaded: bool = False,
    **settings: str,
):
    """Four cells under a load that goes on and off but for 560 to 680 s, when the vehicle stands;
    at 600 s the cells go by ``change`` V within one reading, or while for ``hole`` s the first of
    the two ``streams``, or both, said nothing."""
    load = np.where((TIME % 40 < 20) & ((TIME < 560) | (TIME > 680)), 20.0, 0.0)
    if loaded:
        load = np.where((TIME > 580) & (TIME < 600), 20.0, load)
    level = 3.6 - 0.1 * TIME / TIME[-1] + np.where(TIME >= 600, change, 0.0)
    cells = {
        channel("cell_voltage", "V", n): level - (0.004 + 0.001 * n) * load for n in range(1, 5)
    }
    seen = np.abs(TIME - 600) >= hole / 2
    slow = make_stream("cells", TIME[seen], {key: own[seen] for key, own in cells.items()})
    sees = seen if streams == 2 else np.ones(len(TIME), bool)
    fast = make_stream("drive", TIME[sees], {channel("battery_current", "A"): load[sees]})
    told = tuple(RideMark(time, n, text) for n, (time, text) in enumerate(marks, 1))
    return make_ride(slow, fast, marks=told, settings=settings)


@pytest.mark.parametrize(
    ("made", "spans"),
    [
        (kept_on(), ((0.0, ""),)),
        (kept_on(0.3), ((0.0, ""), (600.0, ""))),
        (kept_on(-0.3), ((0.0, ""), (600.0, ""))),
        # What rest recovers, what a load takes, and what may have been ridden unseen.
        (kept_on(0.07), ((0.0, ""),)),
        (kept_on(0.3, loaded=True), ((0.0, ""),)),
        (kept_on(-0.3, 25.0), ((0.0, ""),)),
        (kept_on(-0.3, 25.0, streams=1), ((0.0, ""), (612.5, ""))),
        (kept_on(0.3, 25.0), ((0.0, ""), (612.5, ""))),
        # Names: of the pack that is there since, at the step near the mark; or at the mark.
        (kept_on(0.3, marks=((640.0, "pack: B"),), pack="A"), ((0.0, "A"), (600.0, "B"))),
        (kept_on(0.07, marks=((640.0, "pack: B"),), pack="A"), ((0.0, "A"), (600.0, "B"))),
        (kept_on(0.0, marks=((640.0, "pack: B"),), pack="A"), ((0.0, "A"), (640.0, "B"))),
        (kept_on(0.0, marks=((640.0, "pack: a"),), pack="A"), ((0.0, "a"),)),
        (kept_on(0.0, marks=((20.0, "pack: B"),), pack="A"), ((0.0, "B"),)),
        (kept_on(0.0, marks=((640.0, "pack: B"),)), ((0.0, "B"),)),
    ],
)
def test_a_swap_while_the_board_stays_on(made, spans):
    found = pack_spans(made)
    assert tuple(zip((s.start for s in found), pack_names(made, None, found), strict=True)) == spans
    assert [bool(span.swapped) for span in found] == [False, True][: len(found)]
    assert found[-1].end == made.duration


def pack(name: str, ohms: list[float], error: float = 0.0005, **more) -> PackFigures:
    cells = tuple(CellFigures(n, r, error, 3.9, 0.01) for n, r in enumerate(ohms, 1))
    return PackFigures(name, cells=cells, balance=0.01, **more)


def test_looking_alike_is_by_shares_of_the_median():
    cold = pack("", [0.030, 0.030, 0.045, 0.030])
    warm = pack("", [0.020, 0.020, 0.030, 0.020])
    other = pack("", [0.020, 0.030, 0.020, 0.020])
    assert look_alike(cold, warm) is True
    assert look_alike(warm, other) is False
    assert look_alike(warm, pack("", [0.02, 0.02, 0.02])) is False
    assert look_alike(warm, pack("", [0.02, 0.02])) is None


def test_a_line_joins_rides_of_one_name_only(tmp_path):
    a, b = [0.020, 0.020, 0.030], [0.020, 0.026, 0.020]
    day = [RideFigures(board="K", started=1.78e9 + 86400 * n) for n in range(4)]
    rides = [
        replace(day[0], packs=(pack("A", a),)),
        replace(day[1], packs=(pack("a", a), pack("B", b))),
        replace(day[2], packs=(pack("", b),)),
        replace(day[3], packs=(pack("B", b),)),
    ]
    write_trends(
        [LibraryEntry(f"{n}", one) for n, one in enumerate(rides)], tmp_path / "t.html", "here"
    )
    text = (tmp_path / "t.html").read_text(encoding="utf-8")
    assert text.count("Resistance of each cell, 10 s after a step of load – pack A") == 1
    assert text.count("Resistance of each cell, 10 s after a step of load – pack B") == 1
    assert "1 ride could be of pack B; " in text and "could be of pack A" not in text
    assert [part.split(",")[0] for part in text.split('"join":')[1:]] == [
        *["true"] * 4,
        *["false"] * 2,
    ]


def test_a_swap_keeps_both_packs_and_their_rests(tmp_path):
    legs = (
        Leg("stand", 0.0, seconds=5.0),
        Leg("launch", 7.0, until_distance=150.0),
        Leg("stop", 0.0, brake=0.5, until_stopped=True),
        Leg("stand", 0.0, seconds=70.0),
        PackSwap(seconds=15.0, charge=0.8),
        Leg("launch", 7.0, until_distance=200.0),
        Leg("stop", 0.0, brake=0.5, until_stopped=True),
    )
    simulation = Simulation(KESTREL, Scenario("swap", legs), seed=3, step=10_000)
    path = tmp_path / "r.sagline"
    path.write_bytes(logs.log_bytes([b"".join(one.data for one in simulation.run())]))
    figures = figures_of(str(path))
    assert figures.problem == "" and len(figures.packs) == 2
    first, second = figures.packs
    assert first.end == second.start and first.charge > 0 and second.charge > 0
    assert len(first.rests) == 2 and first.rests[1].charge == pytest.approx(first.charge, rel=0.1)
    assert len(first.rests[0].voltages) == KESTREL.pack.series
    assert RideFigures.from_text(figures.as_text()) == figures


def test_the_history_of_a_pack_is_its_own_earlier_rides():
    stream = cells_at_rest(600.0, 0.01)
    points = rest_points(stream, pack_spans(stream)[0])
    other = pack("B", [])
    rides = [
        LibraryEntry("b", RideFigures(started=200.0, packs=(pack("A", [0.02], rests=points),))),
        LibraryEntry(
            "a", RideFigures(started=100.0, packs=(pack("a", [0.02], rests=points), other))
        ),
        LibraryEntry("c", RideFigures(started=300.0, packs=(pack("A", [0.02], rests=points),))),
        LibraryEntry("d", RideFigures(started=50.0, packs=(pack("", [0.02], rests=points),))),
    ]
    found = pack_history(rides, "A", before=300.0)
    assert [one.ride for one in found.rides] == ["a", "b"] and len(found) == 2
    assert len(pack_history(rides, "A", without="b")) == 2
    assert len(pack_history(rides, "")) == 0


def cells_at_rest(seconds: float, creep: float):
    """A rest of ``seconds`` after 300 s of 10 A from 4 V, creeping by 1/e in 60 s to 3.9 V."""
    chance = random.Random(1)
    time = np.arange(0.0, 310.0 + seconds, 0.5)
    load = np.where((time > 10) & (time < 310), 10.0 + np.sin(time), 0.0)
    since = np.maximum(time - 310, 0)
    volts = np.where(time < 310, 4.0 - 0.02 * load, 3.9 - creep * np.exp(-since / 60))
    noise = np.array([chance.gauss(0, 0.0005) for _ in time])
    return make_ride(
        make_stream(
            "s",
            time,
            {
                channel("battery_current", "A"): load,
                channel("cell_voltage", "V", 1): volts + noise,
            },
        )
    )


@pytest.mark.parametrize("seconds", [65.0, 120.0, 600.0])
def test_a_rest_is_told_with_what_it_may_still_creep(seconds):
    # The truth is the end of an exponential, which is not the shape that the rest is fitted by.
    made = cells_at_rest(seconds, 0.02)
    first, last = rest_points(made, pack_spans(made)[0])
    assert abs(first.voltages[0] - 4.0) <= first.error
    assert abs(last.voltages[0] - 3.9) <= last.error
    assert last.charge == pytest.approx(300 * 10 / 3600, rel=0.01)
    assert last.rested == pytest.approx(seconds, abs=1.0)
