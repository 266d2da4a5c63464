"""The demo as a stranger runs it: a real pseudo-terminal, the real logger, a report that opens."""

import re
import subprocess
import sys
from pathlib import Path

from selenium import webdriver

from sagline_analyser.load import load_ride
from sagline_logger.format import CAUTION
from support.browser import console_errors, open_page
from support.started import run_text


def demo(*words: str) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-m", "sagline_analyser.demo", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=300)


def test_demo_captures_a_ride_and_its_report_opens(
    browser: webdriver.Chrome, tmp_path: Path
) -> None:
    done = demo("--out", str(tmp_path / "out"), "--seconds", "30")
    assert done.returncode == 0, done.stderr
    assert CAUTION in done.stdout
    page = re.search(r"Report: (.+\.html)", done.stdout)
    assert page is not None and Path(page[1]).is_file()
    (log,) = (tmp_path / "out").glob("*.sagline")
    ride = load_ride(log)
    assert ride.board_name == "Kestrel" and ride.board_file is not None
    assert sum(ride.quality.lost_samples.values()) == 0
    assert ride.quality.ended and ride.link_gaps == ()
    assert str(sum(len(stream.time) for stream in ride.streams.values())) in done.stdout
    # The board file inside the log gives the limits.
    assert "Limits crossed" in run_text(["sagline_analyser", "summary", "--full", log]).stdout
    open_page(browser, Path(page[1]))
    assert console_errors(browser) == []


def test_demo_says_in_one_line_what_is_wrong(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for status, *words in ((1, "--out", str(tmp_path / "file")), (2, "--seconds", "0")):
        done = demo(*map(str, words))
        assert done.returncode == status
        assert done.stderr.startswith("sagline-demo: ") and done.stderr.count("\n") == 1
