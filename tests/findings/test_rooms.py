"""The rooms of the findings: which may read which, taken from the source.

A question's room rests on the readings and on what is believed, never on a question that rests on
it: an arrow against this table is a circle in the making.
"""

from test_arrows import imports, modules

ROOMS = {
    "readings": "",
    "telling": "readings",
    "belief": "readings telling",
    "sensors": "readings telling",
    "limits": "readings telling",
    "drive": "readings telling",
    "heat": "readings telling limits drive",
    "cells": "readings telling belief sensors",
    "energy": "readings telling belief cells",
    "faults": "readings telling sensors limits cells",
}
"""Room of ``findings`` → the rooms it may import; what lies in no room may import all of them."""


def room_of(module: str) -> str:
    """``sagline_analyser.findings.cells.low_cell`` gives ``cells``; empty outside the rooms."""
    parts = module.split(".")
    found = parts[2] if parts[:2] == ["sagline_analyser", "findings"] and len(parts) > 2 else ""
    return found if found in ROOMS else ""


def test_the_rooms_of_the_findings() -> None:
    wrong = [
        f"{module}:{line}: {room} must not import {name}"
        for module, path in modules()
        if (room := room_of(module))
        for line, name in imports(module, path)
        if name.startswith("sagline_analyser.findings.")
        and room_of(name) not in {room, *ROOMS[room].split()}
    ]
    assert wrong == []
    assert {room_of(module) for module, _ in modules()} == {"", *ROOMS}


def test_there_is_no_circle() -> None:
    left = {room: set(below.split()) for room, below in ROOMS.items()}
    while ground := {room for room, below in left.items() if not below}:
        left = {room: below - ground for room, below in left.items() if room not in ground}
    assert left == {}
