"""The command from logs to words, JSON and a page; the page in a real browser."""

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By

from sagline_analyser.cli import main
from sagline_analyser.compare.cards import _intervals
from sagline_analyser.compare.comparison import compare
from sagline_analyser.compare.page import write_comparison
from sagline_analyser.compare.predict import predict
from sagline_analyser.compare.sides import split
from sagline_analyser.load import load_ride
from sagline_logger.format import CAUTION
from support.accessible import all_violations
from support.browser import console_errors, emulate, open_page, requests
from support.known_part import known_for

HOSTILE = "<script>window.ran = 1</script>{{runs}}<img src=x onerror='window.ran = 1'>\"'&lt;"


def test_the_command_in_words_and_as_json_agree(
    ridden: dict[str, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    logs = [str(path) for path in ridden.values()]
    page = tmp_path / "page.html"
    words = ["compare", *logs, "--sides", "ABBA", "--predict", "motor_current_limit=36.5"]
    assert main([*words, "-o", str(page)]) == 0
    said = capsys.readouterr().out
    assert main([*words, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["verdict"]["outcome"] == "better" and found["verdict"]["text"] in said
    assert found["order"] == "ABBA" and found["settings_changed"][0]["name"] in said
    assert found["prediction"]["figures"][0]["inside"] is True
    assert CAUTION in said and found["caution"] == CAUTION
    assert page.stat().st_size > 1e6 and found["verdict"]["text"] in page.read_text("utf-8")
    assert len(found["launches"]["runs"]) == 12 and len(found["launches"]["measures"]) == 10


def test_what_is_doubted_of_the_logs_is_told_first_and_in_the_json(
    ridden: dict[str, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A board file of another pack, and a ride whose sensors are sound."""
    board = tmp_path / "other.toml"
    board.write_text(
        'name = "other"\n[battery]\n[[battery.units]]\nname = "box"\nseries = 3\nparallel = 1\n'
    )
    words = ["compare", str(ridden["A1"]), str(ridden["B1"]), "--board", str(board)]
    page = tmp_path / "page.html"
    assert main([*words, "-o", str(page)]) == 0
    told = capsys.readouterr().out.splitlines()[0]
    assert "states 3 cells in series" in told and "states 3 cells" in page.read_text("utf-8")
    assert main([*words, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["sensors"] == []
    assert [one["log"] for one in found["mismatches"]] == [str(ridden["A1"]), str(ridden["B1"])]


@pytest.mark.parametrize(
    ("hidden", "share", "note"),
    [
        ("battery_current", 0.02, ""),
        ("pack_voltage", 0.02, ""),
        ("battery_current", 0.6, r"Energy is known of \d of the 6 launches, and so not told"),
    ],
)
def test_no_sum_over_a_launch_is_told_of_which_a_part_is_hidden(
    hidden: str,
    share: float,
    note: str,
    ridden: dict[str, Path],
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    logs = [tmp_path / "A.sagline", tmp_path / "B.sagline"]
    for log, name in zip(logs, ("A1", "B1"), strict=True):
        log.write_bytes(known_for(ridden[name].read_bytes(), share, (hidden,)))
    page = tmp_path / "page.html"
    assert main(["compare", *map(str, logs), "-o", str(page)]) == 0
    said = capsys.readouterr().out
    text = re.sub(r"(?s)<(script|style|svg)\b.*?</\1>", " ", page.read_text("utf-8"))
    for told in (said, re.sub(r"<[^>]+>", " ", text)):
        assert "Heat in a motor" in told  # of what is known all along
        assert not re.search(r"\d[\d.,]*\s?Wh", told)
        assert re.search(note, told)


def test_one_log_split_at_its_marks(
    ridden: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compare", str(ridden["A1"].with_suffix(".marked")), "--marks", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [part["side"] for part in found["parts"]] == ["A", "B"]
    assert {run["side"] for run in found["launches"]["runs"]} == {"A", "B"}
    assert found["verdict"]["outcome"] == "cannot tell"  # 3 launches in all
    row = found["launches"]["measures"][0]["difference"]
    assert row["low"] is None and row["high"] is None


def test_a_plan_needs_no_log_and_uses_those_it_gets(
    ridden: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compare", "--plan", "ABBA", "--launches", "7"]) == 0
    said = capsys.readouterr().out
    assert said.count("four times in five") == said.count("typical, nothing is ridden yet") == 2
    assert CAUTION in said
    logs = [str(ridden["A1"]), str(ridden["A2"]), str(ridden["A1"])]
    assert main(["compare", *logs, "--plan", "ABBA", "--json"]) == 0
    made = json.loads(capsys.readouterr().out)
    assert [one["measured"] for one in made] == [True, True]
    # Four stretches less two; of a limit of the controllers the launches' scatter counts for two.
    assert [(one["electric"], one["free"]) for one in made] == [(True, 4), (False, 2)]
    assert main(["compare"]) == 2
    assert "no log is named" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("more", "part"),
    [
        ([], "no second side"),
        (["--marks"], "no marks"),
        (["A1", "--judge", "looks"], "no measure looks"),
        (["A1", "--predict", "colour=3"], "does not follow"),
        (["A1", "--by", "duty_limit"], "states no setting"),
        (["A1", "--matters", "0"], "no share that matters"),
        (["--plan", "AAAA"], "no test of A against B"),
        (["A1", "--sides", "AA"], "nothing is on side B"),
        (["none.sagline"], "none.sagline"),
    ],
)
def test_bad_input_gives_one_line(
    ridden: dict[str, Path], more: list[str], part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words = [str(ridden.get(word, word)) for word in more]
    of_the_logs = part in ("no marks", "states no setting", "none.sagline")
    assert main(["compare", str(ridden["B1"]), *words]) == (1 if of_the_logs else 2)
    said = capsys.readouterr()
    assert part in said.err and said.err.count("\n") == 1 and said.out == ""


def test_the_page_is_whole_quiet_and_takes_texts_as_texts(
    browser: webdriver.Chrome, ridden: dict[str, Path], tmp_path: Path
) -> None:
    rides = [
        replace(
            load_ride(path),
            board_name=HOSTILE,
            path=HOSTILE + name,
            settings={HOSTILE: name[0], "motor_current_limit": name[0]},
        )
        for name, path in ridden.items()
    ]
    found = compare(split([(ride, None) for ride in rides], sides="ABBA"))
    page = tmp_path / "page.html"
    write_comparison(found, page, predict(found, "motor_current_limit", 36.5))
    open_page(browser, page)
    assert browser.execute_script("return typeof window.ran") == "undefined"
    assert console_errors(browser) == []
    assert all(url.startswith(("file:", "data:")) for url in requests(browser))
    assert HOSTILE in browser.execute_script("return document.querySelector('h1').textContent")
    text = browser.execute_script("return document.body.textContent")
    assert all(HOSTILE + name in text for name in ridden) and CAUTION in text
    plots = browser.execute_script(
        "return panels.map((p) =>"
        " [p.title, p.plot.querySelectorAll('.scatterlayer .trace').length])"
    )
    # Twelve launches and two medians in every panel.
    assert [count for _, count in plots] == [14] * 5, plots
    dashes = browser.execute_script(
        "return [...panels[0].plot.querySelectorAll('.js-line')]"
        ".map((l) => l.style.strokeDasharray)"
    )
    assert len(set(dashes)) == 2, "the sides differ without colour"
    emulate(browser, 390, 844)
    open_page(browser, page)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= 390
    shown = [
        browser.find_element(By.CSS_SELECTOR, f"{where} .card .sketch").is_displayed()
        for where in (".verdicts", ".cards:not(.verdicts)")
    ]
    assert shown == [True, False], "the verdict's picture is there without a touch"
    assert all_violations(browser, page) == {}
    strip = browser.find_element(By.CSS_SELECTOR, ".still svg")
    assert len(strip.find_elements(By.CSS_SELECTOR, "circle")) == 6  # of side A
    assert len(strip.find_elements(By.CSS_SELECTOR, "path")) == 6  # of side B
    card = browser.find_element(By.CSS_SELECTOR, ".verdicts .card h3").text
    assert "B is better" in card and len(card.split()) <= 2 + 14


@pytest.mark.parametrize("judged", ["time_to_speed", "distance"])
def test_the_verdicts_picture_shows_what_it_gave_and_what_it_cost(
    ridden: dict[str, Path], judged: str
) -> None:
    rides = [(load_ride(path), None) for path in ridden.values()]
    found = compare(split(rides, sides="ABBA"), judged)
    bars = _intervals(found)
    assert bars is not None
    labels = [bar.label[2:] for bar in bars.bars]  # without the sign
    assert labels[0] == found.main.row(judged).measure.label
    assert {"Heat in a motor", "Voltage sag", "Energy"} < set(labels) and len(labels) == 7
    row = found.main.row(judged)
    assert row.difference is not None and row.mean_a
    assert bars.bars[0].value == pytest.approx(100 * abs(row.difference.value) / row.mean_a)
