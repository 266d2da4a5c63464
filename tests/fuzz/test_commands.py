"""Whole commands on odd logs: what once failed, and a few more from the start of the search."""

from pathlib import Path

import pytest

from fuzz.commands import BROKEN, COMMANDS, ENCODINGS, KEPT, Case, drawn, kept, run_case

FRESH = range(12)
CASES = {number: drawn(number) for number in FRESH}
CASES |= {int(path.name): kept(path) for path in sorted(KEPT.glob("*"))}


@pytest.mark.parametrize("number", sorted(CASES))
def test_a_whole_command_ends_in_a_result_or_in_one_line(number: int, tmp_path: Path) -> None:
    assert run_case(number, tmp_path / "case", CASES[number]) == ""


@pytest.mark.parametrize("line", COMMANDS)
def test_every_command_to_every_kind_of_output(line: str, tmp_path: Path) -> None:
    for number, out in enumerate((*ENCODINGS[1:], *BROKEN)):
        case = Case(line, out, ENCODINGS[1 + number % 3])
        assert run_case(3, tmp_path / out, case) == "", out
