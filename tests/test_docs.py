"""The documentation against the programs: commands that it names exist, links lead somewhere."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from sagline_logger.cli import COMMANDS

ROOT = Path(__file__).parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")]
PAGES += sorted((ROOT / "protocol_docs").rglob("*.md"))


def test_readme_opens_with_exactly_two_commands_demo_then_tests():
    blocks = re.findall(r"^```sh\n(.*?)^```", (ROOT / "README.md").read_text(), re.M | re.S)
    assert len(blocks) == 2
    demo, tests = blocks
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
def test_every_relative_link_leads_to_a_file(page):
    for target in re.findall(r"\]\((?!https?:|#)([^)#]+)", page.read_text()):
        assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_every_command_that_the_pages_name_exists():
    usage = subprocess.run(
        [sys.executable, "-m", "sagline_analyser.cli", "--help"], capture_output=True, text=True
    ).stdout
    for page in PAGES:
        text = page.read_text()
        for command in re.findall(r"sagline-logger ([a-z]+)", text):
            assert command in COMMANDS, f"{page.name}: sagline-logger {command}"
        for command in re.findall(r"sagline-analyser ([a-z]+)", text):
            assert re.search(rf"^\s+{command}\b", usage, re.M), f"{page.name}: {command}"
