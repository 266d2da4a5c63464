"""That the map leads to what it says: the reader's path, and the index of what tests share."""

import importlib
import re
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np

import support
from sagline_analyser.load import load_ride
from sagline_analyser.page.document import write_page
from sagline_logger.format import Event, EventKind
from support.logs import board, log_bytes, pack, time
from support.shared_logs import PERIOD, STREAM

ROOT = Path(__file__).parents[1]
STOP = re.compile(r"^\d\. `analyser/(sagline_analyser/\S+)\.py`: `(\w+)`", re.MULTILINE)
WORD = "cinder"
"""Planted as a fault's text."""


def stops() -> list[Callable[..., Any]]:
    """Return the functions that the reader's path names."""
    found = STOP.findall((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert len(found) == 5
    return [
        getattr(importlib.import_module(module.replace("/", ".")), name) for module, name in found
    ]


def test_a_fault_passes_the_five_stops_in_their_order(tmp_path: Path) -> None:
    rows = [(50, 4200)] * 100
    fault = Event(STREAM.boot, 0, 50 * PERIOD, EventKind.FAULT, 3, 0, WORD)
    log = tmp_path / "ride.sagline"
    log.write_bytes(
        log_bytes([board(STREAM.boot), STREAM, time(0), pack(STREAM, 0, 0, rows), fault])
    )
    names = {stop.__code__: stop.__name__ for stop in stops()}
    given: dict[str, Any] = {}

    def note(frame: FrameType, event: str, result: Any) -> None:
        # A generator gives its first block, and after it nothing that is of interest here.
        if event == "return" and result is not None and frame.f_code in names:
            given.setdefault(names[frame.f_code], result)

    sys.setprofile(note)
    try:
        write_page(load_ride(log), tmp_path / "ride.html")
    finally:
        sys.setprofile(None)
    assert list(given) == list(names.values())

    block, tables, ride, answers, cards = given.values()
    bodies = block.bodies(np.arange(len(block.start)))
    assert any(WORD.encode() in body for body in bodies)
    assert [event.text for _, _, event in tables.events] == [WORD]
    assert [event.text for event in ride.events] == [WORD]
    assert [answer.key for answer in answers if WORD in answer.verdict] == ["fault"]
    assert WORD in cards and str(cards) in (tmp_path / "ride.html").read_text(encoding="utf-8")


def test_the_index_of_what_tests_share_names_each_module() -> None:
    there = {path.stem for path in (ROOT / "tests" / "support").glob("*.py")} - {"__init__"}
    assert there - set(re.findall(r"\w+", support.__doc__ or "")) == set()
