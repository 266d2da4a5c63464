"""The demo's page and a browser to look at it in."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver

from support.browser import chromium


@pytest.fixture(scope="session")
def demo_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page that ``sagline-demo`` makes when nothing else is asked of it."""
    out = tmp_path_factory.mktemp("demo")
    command = [sys.executable, "-m", "sagline_analyser.demo", "--out", str(out)]
    subprocess.run(command, check=True, timeout=300)
    (page,) = out.glob("*.html")
    return page


@pytest.fixture(scope="session")
def browser() -> Iterator[webdriver.Chrome]:
    with chromium() as driver:
        yield driver
