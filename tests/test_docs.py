"""The documentation against the programs: its commands and Python blocks run, its links lead
somewhere, its pictures are there and small."""

import re
import runpy
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from sagline_logger.cli import COMMANDS
from support.doc_commands import NOT_RUN, Session, blocks, why_not
from support.doc_rides import make_directory

ROOT = Path(__file__).parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
PAGES += sorted((ROOT / "protocol_docs").rglob("*.md"))
ELSEWHERE = {
    ROOT / "DEVELOPERS.md": "it sets up and runs the tests themselves",
    ROOT / "protocol_docs" / "emitters" / "README.md": "tests/emitters runs its blocks",
}
RUNS = {p: ("sh", "python") for p in PAGES if p not in ELSEWHERE}
"""Languages of the blocks that are run."""
RUNS[ROOT / "README.md"] += ("",)  # two sh blocks and no more: the test command is taken from it
RUN = [p for p, languages in RUNS.items() if any(b.language in languages for b in blocks(p))]

PICTURE = 150_000
"""Bytes that a picture may have."""


@pytest.fixture(scope="module")
def rides(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The files that the pages name, made once; every page gets a copy."""
    directory = tmp_path_factory.mktemp("pages")
    make_directory(directory)
    return directory


@pytest.mark.parametrize("page", RUN, ids=lambda page: str(page.relative_to(ROOT)))
def test_commands_and_python_of_the_page_run(page: Path, rides: Path, tmp_path: Path):
    here = tmp_path / "here"
    shutil.copytree(rides, here, symlinks=True)
    sketches = [block.text for block in blocks(page) if block.language == "cpp"]
    session = Session(here, sketches[0] if sketches and page.parent == ROOT / "docs" else "")
    try:
        for block in blocks(page):
            if block.language in RUNS[page]:
                session.run(block)
    finally:
        session.close()


def test_no_command_stands_outside_a_block_that_is_run():
    for page in PAGES:
        kept = {c for b in blocks(page) if b.language in ("sh", "") for c in b.commands()}
        for line in page.read_text().splitlines():
            if re.match(r"\s*([\w./]*/)?sagline-(logger|analyser|demo) ", line):
                found = any(command.startswith(line.strip(" \\")) for command in kept)
                assert found, f"{page.name}: put into a fenced sh block: {line}"


def test_every_command_that_the_pages_name_exists():
    parser = subprocess.run(
        [sys.executable, "-m", "sagline_analyser.cli", "--help"], capture_output=True, text=True
    ).stdout
    for page in PAGES:
        text = page.read_text()
        for command in re.findall(r"sagline-logger ([a-z]+)", text):
            assert command in COMMANDS, f"{page.name}: sagline-logger {command}"
        for command in re.findall(r"sagline-analyser ([a-z]+)", text):
            assert re.search(rf"^\s+{command}\b", parser, re.M), f"{page.name}: {command}"


def test_every_reason_not_to_run_a_command_is_needed():
    commands = [c for p in PAGES for b in blocks(p) for c in b.commands()]
    for pattern, why in NOT_RUN:
        assert any(re.search(pattern, command) for command in commands), (pattern, why)
    ours = [c for c in commands if c.startswith("sagline-") and why_not(c)]
    links = ("--ble", "--tcp", "--can", "--dbc", "--all")
    assert all(any(link in command for link in links) for command in ours), ours


def test_readme_opens_with_exactly_two_commands_demo_then_tests():
    found = re.findall(r"^```sh\n(.*?)^```", (ROOT / "README.md").read_text(), re.M | re.S)
    assert len(found) == 2
    demo, tests = found
    assert demo.count("\n") == tests.count("\n") == 1
    assert demo.rstrip().endswith("sagline-demo")
    assert "-m pytest" in tests


def test_ci_runs_the_readme_test_command():
    script = (ROOT / ".ci" / "run").read_text()
    awk = re.search(r"awk '(.*?)'", script)
    assert awk
    found = subprocess.run(
        ["awk", awk[1], ROOT / "README.md"], capture_output=True, text=True, check=True
    ).stdout
    assert f"```sh\n{found}```" in (ROOT / "README.md").read_text()
    assert "pytest" in found


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_relative_link_leads_to_a_file_and_pictures_are_small(page: Path):
    for target in re.findall(r"\]\((?!https?:|#)([^)#]+)", page.read_text()):
        found = page.parent / target
        assert found.exists(), f"{page.name} links to {target}"
        if found.suffix == ".png":
            assert found.stat().st_size <= PICTURE, target


def test_every_file_that_the_guides_name_is_there():
    rooms = ("analyser", "logger", "protocol_docs", "tests", "docs")  # not what is installed
    there = [
        f"/{one.relative_to(ROOT)}"
        for room in rooms
        for one in (ROOT / room).rglob("*.*")
        if "node_modules" not in one.parts
    ]
    for page in (ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))):
        for name in re.findall(r"`((?:[\w.]+/)+[\w.]+\.(?:py|js|toml|h|jinja))`", page.read_text()):
            assert any(one.endswith(f"/{name}") for one in there), f"{page.name} names {name}"


def test_the_pictures_are_made_by_their_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    script = ROOT / "docs" / "make_screenshots.py"
    monkeypatch.setattr(sys, "argv", [str(script), "--quick", "--out", str(tmp_path)])
    with pytest.raises(SystemExit) as end:
        runpy.run_path(str(script), run_name="__main__")
    assert end.value.code == 0
    made = {path.name for path in tmp_path.iterdir()}
    assert made == {path.name for path in (ROOT / "docs" / "pictures").iterdir()}
    assert all(path.read_bytes().startswith(b"\x89PNG") for path in tmp_path.iterdir())


def test_every_how_to_page_is_in_the_index():
    index = (ROOT / "docs" / "README.md").read_text()
    for page in (ROOT / "docs").glob("*.md"):
        assert page.name == "README.md" or f"]({page.name})" in index, page.name


def test_every_anchor_leads_to_a_heading():
    for page in PAGES:
        for target, anchor in re.findall(r"\]\(([^):#]*)#([^)]+)\)", page.read_text()):
            text = (page.parent / target if target else page).read_text()
            headings = re.findall(r"^#+ (.*)$", text, re.M)
            names = {re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in headings}
            assert anchor in names, f"{page.name} links to {target}#{anchor}"
