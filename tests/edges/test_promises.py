"""What the pages say of words, tables and figures, held against what the programs say.

tests/test_docs.py runs their commands; here stand the promises of which that proves nothing.
"""

import ast
import re
import tomllib
from functools import cache
from pathlib import Path

import pytest

from sagline_analyser.cli import PROGRAM as ANALYSER
from sagline_analyser.cli import main as analyser
from sagline_analyser.compare.verdict import MATTERS
from sagline_logger.cli import PROGRAM as LOGGER
from sagline_logger.format.columns.units import conversion
from sagline_logger.format.program import INTERNAL
from sagline_logger.live import alarms
from support.doc_rides import make_directory

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
ROOMS = (ROOT / "logger" / "sagline_logger", ROOT / "analyser" / "sagline_analyser")
SHELLS = {"command not found"}
"""Said by another program."""


@cache
def said() -> str:
    """Return every text in the programs, what is filled in as …, a line each."""
    texts = []
    for room in ROOMS:
        for path in room.rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.JoinedStr):
                    parts = [v.value if isinstance(v, ast.Constant) else "…" for v in node.values]
                    texts.append("".join(map(str, parts)))
                elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                    texts.append(node.value)
    return "\n".join(" ".join(text.split()) for text in texts)


def rows(page: str, head: str) -> list[list[str]]:
    """Return the cells of the table of a page whose first title is ``head``."""
    found = re.search(
        rf"^\| *{re.escape(head)} *\|.*\n\|[-| ]+\n((?:\|.*\n)+)", (DOCS / page).read_text(), re.M
    )
    assert found, head
    return [[c.strip() for c in line.strip("|").split("|")] for line in found[1].splitlines()]


@pytest.mark.parametrize("page", ["troubleshooting.md", "bluetooth.md"])
def test_every_message_that_trouble_by_symptom_quotes_is_one_of_ours(page: str) -> None:
    quoted = [
        quote
        for strong in re.findall(r"^\*\*(.+?)\*\*", (DOCS / page).read_text(), re.M | re.S)
        for quote in re.findall(r"`([^`]+)`", " ".join(strong.split()))
    ]
    assert len(quoted) >= 9
    for quote in set(quoted) - SHELLS:
        for part in re.split(r"…|[;:,]|\b\d+\b", quote):
            assert part.strip() in said(), (quote, part)


def test_every_doubt_of_a_sensor_has_its_row_and_every_row_its_doubt() -> None:
    kinds = set()
    for path in (ROOMS[1] / "findings" / "sensors").glob("*.py"):
        tree = ast.parse(path.read_text())
        adds = [
            node.args[1]
            for node in ast.walk(tree)
            if isinstance(node, ast.Call)
            and getattr(node.func, "attr", "") == "add"
            and len(node.args) > 2
        ]
        kinds |= {one.value for one in adds if isinstance(one, ast.Constant)}
    kinds |= {"open thermistor", "shorted thermistor", "jumps as no machine can"}  # by a name
    named = [name for names, _ in rows("troubleshooting.md", "named") for name in names.split(", ")]
    assert {name.removesuffix(" (throttle)") for name in named} == kinds
    assert len(named) == len(kinds)


def test_what_was_understood_of_bytes_is_named_as_the_page_has_it() -> None:
    for words, _ in rows("troubleshooting.md", "it says"):
        for part in re.split(r"…|“|”|,|\bframes\b", words):
            assert part.strip() in said(), (words, part)


def test_every_option_that_a_page_names_is_one_of_the_command_it_stands_with() -> None:
    known: dict[str, set[str]] = {"": set()}
    for program in (LOGGER, ANALYSER):
        for name in program.commands:
            parser = program.parser([name])
            (commands,) = [a.choices for a in parser._actions if a.dest == "command"]
            known[name] = set(commands[name]._option_string_actions)
            known[""] |= known[name] | set(parser._option_string_actions)
    pages = [ROOT / "README.md", ROOT / "CHANGELOG.md", *DOCS.glob("*.md")]
    seen = 0
    for page in pages:
        text = re.sub(r"^ *```.*?^ *```", "", page.read_text(), flags=re.M | re.S)
        for code in re.findall(r"`([^`]+)`", text):
            words = code.replace("sagline-logger ", "").replace("sagline-analyser ", "").split()
            if not words or not (words[0] in known or words[0].startswith("--")):
                continue
            command = words[0] if words[0] in known else ""
            for option in (w.partition("=")[0] for w in words if re.match(r"--[a-z]", w)):
                seen += 1
                assert option in known[command], (page.name, code)
    assert seen > 60


def test_the_statuses_are_those_of_the_door() -> None:
    table = dict(rows("troubleshooting.md", "status"))
    assert list(table) == ["0", "1", "2", "3", str(INTERNAL), "128 + n"]


def test_the_alarms_are_as_the_page_about_packs_says() -> None:
    page = " ".join((DOCS / "pack_care.md").read_text().split())
    for words in (
        f"beyond for {alarms.RAISE_AFTER:g} s",
        f"for {alarms.HOLD:g} s after it has come back by {100 * alarms.HYSTERESIS:g} %",
        f"from {100 * alarms.SLACK:g} % above it",
    ):
        assert words in page, words


def test_every_unit_that_the_page_about_columns_names_converts() -> None:
    page = " ".join((DOCS / "import.md").read_text().split())
    found = re.search(r"\*\*Units that convert:\*\* (.+?)\. For anything else", page)
    assert found
    plain, *rest = found[1].split("; ")
    names, prefixes = plain.split(" with ")
    units = re.split(r", | and ", names)
    prefixes = re.split(r", | or ", prefixes.removesuffix(" in front"))
    assert len(units) == 8 and len(prefixes) == 4
    for unit in units:
        for prefix in prefixes:
            assert conversion(prefix + unit, unit) not in (None, conversion(unit, unit))
    speeds, temperatures, turns, share = rest
    for listed, target in ((speeds, "m/s"), (temperatures, "°C"), (turns, "r/min"), (share, "1")):
        for unit in re.split(r", | and ", listed):
            assert conversion(unit, target) is not None, unit


def test_the_logger_needs_what_the_readme_says() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    names = [re.split(r"\W", one)[0] for one in project["dependencies"]]
    readme = " ".join((ROOT / "README.md").read_text().split())
    assert f"needs {', '.join(names[:-1])} and {names[-1]} only" in readme
    assert project["requires-python"] == ">=3.11"
    for page in (ROOT / "README.md", DOCS / "first_capture.md", DOCS / "single_board_computer.md"):
        assert "3.11 or later" in page.read_text()


def test_the_outputs_that_the_page_about_tests_shows_are_what_comes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    make_directory(tmp_path)
    monkeypatch.chdir(tmp_path)
    names = [f"trial/{name}.sagline" for name in ("a1", "b1", "b2", "a2")]
    assert analyser(["compare", "--plan", "ABBA", "--launches", "7"]) == 0
    assert analyser(["compare", *names, "--sides", "ABBA", "-o", "trial.html"]) == 0
    out = capsys.readouterr().out.replace("\u202f", " ").splitlines()  # before a unit
    page = (DOCS / "ab_test.md").read_text()
    blocks = re.findall(r"^```text\n(.*?)^```", page, re.M | re.S)
    assert len(blocks) == 3
    for block in (blocks[0], blocks[2]):  # the second is of rides recorded in real time
        assert [line for line in block.splitlines() if line and line not in out] == []
    assert f"within {100 * MATTERS:g} % of A's figure" in " ".join(page.split())
