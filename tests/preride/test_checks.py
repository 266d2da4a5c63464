"""Each check, from frames of a standing board with one thing wrong.

The bounds are common practice without a published source; the drift of a clock is checked against
the drift that the frames were made with.
"""

import json
import math
import random
from dataclasses import replace
from pathlib import Path

import pytest

from sagline_logger.format import Event, EventKind, encode_frame, load_board_file
from sagline_logger.preride.checks import DRIFT, CheckResult, Storage, check
from sagline_logger.preride.listening import Hearing, listen
from support.protocol_files import VECTORS, described_bodies
from support.standing_board import StandingBoard

DEMO = Path(__file__).parents[2] / "analyser" / "sagline_analyser" / "demo_board.toml"
BOARD, _ = load_board_file(DEMO)
STORAGE = Storage(free=10**9, ride=7200)
NAMES = {
    "board file",
    "link",
    "loss",
    "stream rates",
    "faults",
    "cell count",
    "cell spread",
    "sum of cells",
    "temperatures",
    "currents",
    "throttle",
    "limits",
    "clock",
    "disk space",
}


def heard(board: StandingBoard, seconds: float = 10.0, jitter: float = 0.0) -> Hearing:
    late = random.Random(1)
    records = sorted(
        ((at + jitter * late.random(), record) for at, record in board.records(seconds)),
        key=lambda pair: pair[0],
    )
    return Hearing("test", seconds, 40_000, 0, (), tuple(records))


def checked(board: StandingBoard | Hearing, against=BOARD) -> dict[str, CheckResult]:
    hearing = board if isinstance(board, Hearing) else heard(board)
    return {result.name: result for result in check(hearing, against, STORAGE)}


def expect(results: dict[str, CheckResult], name: str, verdict: str, *words: str) -> None:
    """``name`` has this verdict and words, and nothing else but what is listed there fails."""
    result = results[name]
    assert result.verdict == verdict, result
    for word in words:
        assert word in f"{result.numbers} → {result.remedy}"
    if verdict in ("warn", "fail"):
        assert result.remedy


def others(results: dict[str, CheckResult], *names: str) -> None:
    assert {r.verdict for name, r in results.items() if name not in names} == {"pass"}


def test_a_healthy_board_passes_everything() -> None:
    results = checked(StandingBoard())
    assert results.keys() == NAMES
    others(results)
    assert "0 of 1100 samples lost" in results["loss"].numbers
    assert "fast: 100.0 of 100.0 samples/s; slow: 10.0 of 10.0" in results["stream rates"].numbers
    assert "13 cells add up to 50.70 V, pack voltage is 50.70 V" in results["sum of cells"].numbers


def test_nothing_heard() -> None:
    silent = checked(Hearing("test", 10.0, 0, 0, (), ()))
    expect(silent, "link", "fail", "no byte", "is the board on")
    expect(silent, "loss", "fail")
    assert {silent[name].verdict for name in ("cell spread", "currents", "clock")} == {"open"}
    noise = checked(Hearing("test", 10.0, 5000, 0, (), ()))
    expect(noise, "link", "fail", "5000 bytes, but no frame", "--baud")


def test_link_lost_restart_and_noise() -> None:
    hearing = heard(StandingBoard())
    expect(checked(replace(hearing, link_losses=("gone",))), "link", "fail", "lost 1 times (gone)")
    second = tuple((at + 10, record) for at, record in StandingBoard(boot=8).records(5))
    expect(
        checked(replace(hearing, records=hearing.records + second)),
        "link",
        "fail",
        "restarted 1 times",
        "supply",
    )
    expect(checked(replace(hearing, foreign=100)), "link", "warn", "100 bytes", "noise")
    expect(checked(replace(hearing, foreign=4000)), "link", "fail")


def test_loss_is_counted_to_the_sample() -> None:
    few = checked(StandingBoard(skipped=frozenset({50})))
    expect(few, "loss", "warn", "5 of 1100 samples lost")
    others(few, "loss")
    many = checked(StandingBoard(skipped=frozenset(range(10, 30))))
    expect(many, "loss", "fail", "100 of 1100 samples lost")


def test_stream_rates() -> None:
    fast = checked(StandingBoard(rate_error=0.05))
    expect(fast, "stream rates", "warn", "fast: 105.0 of 100.0", "timing")
    expect(checked(StandingBoard(rate_error=0.5)), "stream rates", "fail", "150.0 of 100.0")
    expect(checked(StandingBoard(silent=frozenset({"slow"}))), "stream rates", "fail", "nothing")
    hearing = heard(StandingBoard())
    bare = tuple(pair for pair in hearing.records if type(pair[1]).__name__ != "Stream")
    undescribed = checked(replace(hearing, records=bare))
    expect(undescribed, "stream rates", "fail", "never described")
    assert undescribed["currents"].verdict == "open"


def test_faults() -> None:
    fault = Event(7, 0, 0, EventKind.FAULT, 3, 1, "too warm")
    expect(checked(StandingBoard(events=(fault,))), "faults", "fail", "3 too warm")
    cleared = replace(fault, sequence=1, event=EventKind.FAULT_CLEARED)
    assert checked(StandingBoard(events=(fault, cleared)))["faults"].verdict == "pass"


def test_cells() -> None:
    missing = StandingBoard(cells=[3.9] * 12)
    results = checked(missing)
    expect(results, "cell count", "fail", "12 cells sent, 13 in the board file")
    expect(results, "sum of cells", "fail", "12 cells add up to 46.80 V", "wrong cell count")
    unread = checked(StandingBoard(cells=[3.9] * 12 + [math.nan]))
    expect(unread, "cell count", "fail", "1 of 13 cells give no reading", "sense leads")

    slack = StandingBoard(cells=[3.9] * 6 + [3.85] + [3.9] * 6)
    expect(checked(slack), "cell spread", "warn", "0.050 V between cell_voltage_7 (3.850 V)")
    others(checked(slack), "cell spread")
    slack.cells[6] = 3.7
    expect(checked(slack), "cell spread", "fail", "0.200 V")
    slack.fast["battery_current", 0] = 20.0
    expect(checked(slack), "cell spread", "open", "not at rest (battery_current is 20.0 A)")


def test_exactly_at_a_bound_passes() -> None:
    assert checked(StandingBoard(cells=[3.93] + [3.9] * 12))["cell spread"].verdict == "pass"


def test_a_pack_voltage_that_disagrees() -> None:
    board = StandingBoard()
    board.fast["pack_voltage", 0] = 51.7
    expect(checked(board), "sum of cells", "warn", "50.70 V, pack voltage is 51.70 V", "meter")
    others(checked(board), "sum of cells")


def test_temperatures() -> None:
    warm = StandingBoard()
    warm.slow["motor_temperature", 2] = 35.0
    expect(
        checked(warm),
        "temperatures",
        "warn",
        "motor_temperature_2 (35.0 °C) furthest from "
        "ambient (20.0 °C); motor_temperature 14.0 K apart",
    )
    others(checked(warm), "temperatures")
    broken = StandingBoard()
    broken.slow["controller_temperature", 1] = -40.0
    expect(checked(broken), "temperatures", "fail", "controller_temperature_1 (-40.0 °C)")
    broken.slow["controller_temperature", 1] = math.nan
    expect(checked(broken), "temperatures", "fail", "no reading from controller_temperature_1")
    del broken.slow["ambient_temperature", 0]
    broken.slow["controller_temperature", 1] = 22.0
    assert "the middle of all (22.0 °C)" in checked(broken)["temperatures"].numbers


def test_currents_and_throttle() -> None:
    board = StandingBoard()
    board.fast["motor_current", 2] = -1.5
    expect(checked(board), "currents", "warn", "motor_current_2 -1.50 A", "zero")
    others(checked(board), "currents")
    board.fast["motor_current", 2] = -6.0
    expect(checked(board), "currents", "fail")
    board.fast["throttle", 0] = 0.08
    expect(checked(board), "throttle", "fail", "8.0 %", "do not ride")


def test_limits_of_the_board_file() -> None:
    low = StandingBoard(cells=[3.15] * 13)
    low.fast["pack_voltage", 0] = 13 * 3.15
    expect(checked(low), "limits", "warn", "3.2 V: alarm voltage of a cell", "and 11 more")
    low.cells[4] = 2.95
    expect(checked(low), "limits", "fail", "cell_voltage_5 2.95 V is below 3 V: stop voltage")
    full = StandingBoard(cells=[4.25] * 13)
    full.fast["pack_voltage", 0] = 13 * 4.25
    expect(checked(full), "limits", "fail", "above 4.2 V: full cell")


@pytest.mark.parametrize("drift", [-4e-3, -1e-4, 0.0, 1e-4, 4e-3])
@pytest.mark.parametrize("jitter", [0.0, 0.05])
def test_the_clocks_drift_is_found_within_its_doubt(drift: float, jitter: float) -> None:
    result = checked(heard(StandingBoard(drift=drift), 10.0, jitter))["clock"]
    words = result.numbers.replace("±", "").split()
    found, doubt = float(words[words.index("runs") + 1]), float(words[-2])
    exact = (1 - 1 / (1 + drift)) * 1e6  # a fast clock counts 1 + drift s in a second
    assert abs(found - exact) <= doubt + 1
    if jitter == 0:
        assert doubt <= 1 + abs(drift) * 1e6
    if abs(drift) * 1e6 <= DRIFT[0]:
        assert result.verdict == "pass"


def test_the_board_file_of_another_vehicle_is_told_first() -> None:
    doubled = replace(BOARD, motors=(replace(BOARD.motors[0], count=3),))
    results = checked(StandingBoard(), doubled)
    assert next(iter(results)) == "board file"
    expect(results, "board file", "fail", "states 3 motors", "has 2 of motor_current")


def test_a_wrong_clock_is_told() -> None:
    expect(checked(StandingBoard(drift=0.10)), "clock", "fail", "clock source")


def test_disk_space() -> None:
    hearing = heard(StandingBoard())  # 40 kB in 10 s, so 28.8 MB in 2 h
    for free, verdict in ((58e6, "pass"), (40e6, "warn"), (20e6, "fail")):
        results = check(hearing, BOARD, Storage(int(free), 7200))
        result = next(result for result in results if result.name == "disk space")
        assert result.verdict == verdict
        assert f"{free / 1e6:.0f} MB free, about 29 MB for 2 h at 4.0 kB/s" in result.numbers


def test_without_a_board_file_or_channels_it_says_what_it_needs() -> None:
    board = StandingBoard(cells=[], slow={("ambient_temperature", 0): 20.0})
    board.fast = {("pack_voltage", 0): 48.0}
    results = checked(board, None)
    for name, words in {
        "board file": "needs a board file",
        "cell count": "needs battery.units in a board file",
        "cell spread": "needs the channel cell_voltage of two cells",
        "sum of cells": "needs the channels cell_voltage and pack_voltage",
        "temperatures": "needs a channel of a temperature",
        "currents": "needs a channel of a current",
        "throttle": "needs the channel throttle",
        "limits": "needs ratings or cell voltages in a board file",
    }.items():
        expect(results, name, "open", words)
    others(results, *[name for name in NAMES if results[name].verdict == "open"])


class Once:
    """A link over which a few bytes come, and then nothing."""

    description = "once"

    def __init__(self, data: bytes) -> None:
        self.data = data

    def open(self) -> None:
        pass

    def read(self, timeout: float) -> bytes:
        data, self.data = self.data, b""
        if not data:
            raise EOFError
        return data

    def close(self) -> None:
        pass


def test_what_breaks_the_formats_rules_is_told_by_record_and_field() -> None:
    """frame_format.md §5.9; a record that only a logger may write is foreign and no such thing."""
    cases = json.loads((VECTORS / "refused_descriptions.json").read_text(encoding="utf-8"))
    case = next(case for case in cases if case["name"] == "a unit in Latin-1")
    bodies = [*described_bodies(case), b"\x84cut short"]
    hearing = listen(Once(b"".join(map(encode_frame, bodies))), 1.0)  # type: ignore[arg-type]
    (line,) = hearing.refused
    assert line == "STREAM: stream 1 'slow', channel 2 of 2: the unit of 'x' is not UTF-8"
    expect(checked(hearing), "link", "fail", "breaks the format's rules: STREAM: stream 1")
    assert hearing.foreign == len(encode_frame(bodies[-1]))
