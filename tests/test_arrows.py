"""The one-way arrows between the rooms, read from the source, and what a start-up loads."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

from sagline_logger.cli import COMMANDS

ROOT = Path(__file__).parents[1]
CLUSTER = {"distributed"}
HEAVY = {"numpy", "pandas", "plotly", "pyarrow", "scipy"}
LINKS = {"serial", "bleak", "can", "cantools"}

ROOMS: dict[str, tuple[set[str], set[str]]] = {
    "logger.format": (set(), set()),
    "logger.simulator": ({"logger.format"}, set()),
    "logger.verify": ({"logger.format"}, set()),
    "logger.board": ({"logger.format"}, set()),
    "logger.live": ({"logger.format"}, set()),
    "logger.capture": ({"logger.format", "logger.live"}, LINKS),
    "logger.commands": (
        {"logger.format", "logger.live", "logger.capture", "logger.phone"},
        set(),
    ),
    "logger.preride": ({"logger.format", "logger.capture"}, set()),
    "logger.phone": (
        {"logger.format", "logger.live", "logger.capture", "logger.preride"},
        {"starlette", "uvicorn", "segno"},
    ),
    "analyser.markup": (set(), {"markupsafe"}),
    "analyser.columns_in": ({"logger.format"}, set()),
    "analyser.load": ({"logger.format", "analyser.markup"}, HEAVY | {"zlib_ng", "markupsafe"}),
    "analyser.findings": (
        {"logger.format", "analyser.load", "analyser.markup"},
        HEAVY | {"markupsafe"},
    ),
    "analyser.page": (
        {"logger.format", "analyser.load", "analyser.findings", "analyser.markup"},
        HEAVY | {"zlib_ng", "jinja2", "markupsafe"},
    ),
    "analyser.rides": (
        {
            "logger.format",
            "analyser.load",
            "analyser.findings",
            "analyser.page",
        },
        HEAVY | CLUSTER | {"markupsafe"},
    ),
    "analyser.share": (
        {
            "logger.format",
            "analyser",
            "analyser.markup",
            "analyser.load",
            "analyser.findings",
            "analyser.page",
        },
        HEAVY | {"PIL", "markupsafe"},
    ),
    "analyser.compare": (
        {
            "logger.format",
            "analyser.markup",
            "analyser.load",
            "analyser.findings",
            "analyser.page",
        },
        HEAVY | {"markupsafe"},
    ),
}
"""Room to (rooms it may import, packages beyond the standard library it may import).

A module that lies in no room (``cli.py``) may import its own half and ``logger.format``.
"""


def room_of(module: str) -> str:
    """``sagline_logger.format.frame`` gives ``logger.format``; outside the rooms, the half."""
    half, *rest = module.removeprefix("sagline_").split(".")
    room = f"{half}.{rest[0]}" if rest else half
    return room if room in ROOMS else half


def modules() -> Iterator[tuple[str, Path]]:
    for half in ("logger", "analyser"):
        for path in sorted((ROOT / half).rglob("*.py")):
            yield ".".join(path.relative_to(ROOT / half).with_suffix("").parts), path


def imports(module: str, path: Path) -> Iterator[tuple[int, str]]:
    """Yield (line, full name) of every import, those inside functions included."""
    package = module.split(".")[:-1]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) + 1 - node.level] if node.level else []
            if node.module:
                base = [*base, node.module]
            yield from ((node.lineno, ".".join([*base, alias.name])) for alias in node.names)


def may_import(room: str, name: str) -> bool:
    half = room.split(".")[0]
    top = name.split(".")[0]
    if top not in ("sagline_logger", "sagline_analyser"):
        packages = ROOMS[room][1] if room in ROOMS else HEAVY if half == "analyser" else set()
        return top in sys.stdlib_module_names or top in packages
    target = room_of(name)
    if room == "logger.format":
        return target == room
    if name == "sagline_logger.__version__":  # both halves have one version
        return True
    if name == "sagline_logger.start.at_once":  # and one way to start
        return room == "analyser"
    if room in ROOMS:
        return target in ROOMS[room][0] | {room} or target == half == "logger"
    return target == "logger.format" or target.split(".")[0] == half


def test_the_arrows():
    wrong = []
    for module, path in modules():
        room = room_of(module)
        wrong += [
            f"{path.relative_to(ROOT)}:{line}: {room} must not import {name}"
            for line, name in imports(module, path)
            if not may_import(room, name)
        ]
    assert wrong == []
    assert {room_of(module) for module, _ in modules()} >= set(ROOMS)


def circle(arrows: dict[str, set[str]]) -> set[str]:
    """Return modules that need each other in turn; none where there is no such circle."""
    try:
        TopologicalSorter(arrows).prepare()
    except CycleError as problem:
        return set(problem.args[1])
    return set()


def test_no_module_is_in_a_circle():
    """Imports inside functions count; those for annotations alone do not."""
    found = dict(modules())
    arrows: dict[str, set[str]] = {}
    for module, path in found.items():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        annotating = {
            line
            for node in ast.walk(tree)
            if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
            for line in range(node.lineno, (node.end_lineno or node.lineno) + 1)
        }
        names = {name for line, name in imports(module, path) if line not in annotating}
        homes = {name if name in found else name.rpartition(".")[0] for name in names}
        arrows[module] = (homes | {f"{home}.__init__" for home in homes}) & set(found) - {module}
    assert sum(map(len, arrows.values())) > 500
    assert circle(arrows) == set()


def test_a_circle_would_be_found():
    assert circle({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": {"a"}}) == {"b", "c"}


@pytest.mark.parametrize(
    ("room", "name"),
    [
        ("logger.format", "serial"),
        ("logger.format", "sagline_logger.capture.source"),
        ("logger.format", "sagline_logger.__version__"),
        ("logger.simulator", "sagline_logger.capture.recorder"),
        ("logger.capture", "numpy"),
        ("logger", "sagline_analyser.load"),
        ("analyser.load", "sagline_logger.capture.source"),
        ("analyser.load", "sagline_analyser.page.data"),
        ("analyser", "sagline_logger.cli.main"),
        ("analyser", "sagline_logger.start.main"),
        ("analyser.load", "sagline_logger.start.at_once"),
        ("analyser", "serial.tools"),
    ],
)
def test_the_check_sees_a_wrong_arrow(room, name):
    assert not may_import(room, name)


def loaded(*arguments: str) -> set[str]:
    """Return the top-level modules that a fresh interpreter loads, from -X importtime."""
    run = subprocess.run(
        [sys.executable, "-X", "importtime", *arguments],
        capture_output=True,
        text=True,
        timeout=120,
    )
    lines = [line for line in run.stderr.splitlines() if line.startswith("import time:")]
    assert run.returncode == 0, run.stderr
    assert len(lines) > 20
    return {line.rsplit("|", 1)[1].strip().split(".")[0] for line in lines[1:]}


def test_logger_start_up_is_light():
    names = loaded("-m", "sagline_logger.cli", "--help")
    assert "argparse" in names
    assert not names & (HEAVY | LINKS)


def test_the_installed_command_is_light():
    names = loaded(str(Path(sys.executable).with_name("sagline-logger")), "--help")
    assert "sagline_logger" in names
    assert not names & (HEAVY | LINKS)


@pytest.mark.parametrize("command", COMMANDS)
def test_no_logger_command_loads_the_analyser(command):
    names = loaded("-m", "sagline_logger.cli", command, "--help")
    assert not names & (HEAVY | {"sagline_analyser"})


def test_the_format_loads_nothing_but_the_standard_library():
    names = loaded("-c", "import sagline_logger.format")
    ours = loaded("-c", "import argparse, dataclasses, tomllib, zlib, pathlib, typing, enum")
    assert names - ours - set(sys.stdlib_module_names) == {"sagline_logger"}


def test_every_name_of_the_format_is_there_when_it_is_asked_for():
    import sagline_logger.format as package

    for name in package.__all__:
        assert getattr(package, name) is not None, name
    for name, module in (("output", "output"), ("vocabulary", "vocabulary")):
        assert callable(getattr(package, name)), f"{name} is the module {module}"


def test_the_formatter_is_not_fought() -> None:
    """Tables of data may stand as they are; everything else is laid out by the formatter."""
    told = "# fmt: " + "skip"
    places = [
        path.relative_to(ROOT)
        for room in ("logger", "analyser", "tests", "docs")
        for path in sorted((ROOT / room).rglob("*.py"))
        if told in path.read_text(encoding="utf-8")
    ]
    assert len(places) <= 10, places


BEGUN_AT = {"__init__", "__main__", "cli", "start", "demo"}
"""Modules that an entry point or Python itself begins at."""


def test_every_module_is_reached() -> None:
    """A source, a question or a command whose line in its table was forgotten is a module that
    nothing imports and no table names: it would be lost without a word."""
    found = dict(modules())
    reached = {name for module, path in found.items() for _, name in imports(module, path)}
    reached |= {name.rpartition(".")[0] for name in reached}
    for module, path in found.items():  # tables that name modules, imported when they are asked for
        package = module.split(".")[:-1]
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                for word in node.value.split()[:1]:
                    reached.add(".".join([*package, word.lstrip(".")]))
    alone = [m for m in found if m not in reached and m.split(".")[-1] not in BEGUN_AT]
    assert not alone, f"{alone}: has each its line in the table that names it?"
