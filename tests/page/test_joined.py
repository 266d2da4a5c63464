"""The report of a file that holds several starts, and of values and motors of an unusual number."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By

from sagline_analyser import load_ride
from sagline_analyser.page.columns import Column
from sagline_analyser.page.document import write_page
from sagline_analyser.page.panels import lay_out
from support.browser import console_errors, open_page
from support.emitters import three_power_cycles
from support.rides import channel, make_ride, make_stream

from .conftest import run

CLIPPED = """
const clipped = [];
for (const { plot } of panels) {
  const box = plot.querySelector("svg").getBoundingClientRect();
  for (const text of plot.querySelectorAll(".picture > .level")) {
    const own = text.getBoundingClientRect();
    if (own.left < box.left - 0.5 || own.right > box.right + 0.5) clipped.push(text.textContent);
  }
}
return clipped;
"""
TICKS = """
return [...document.querySelectorAll(".picture > .level")].map((text) => text.textContent);
"""


def test_three_power_cycles_on_one_card_are_three_stretches_in_their_order(
    browser: webdriver.Chrome, tmp_path: Path
) -> None:
    log = tmp_path / "card.sagline"
    log.write_bytes(three_power_cycles(tmp_path))
    page = tmp_path / "card.html"
    run("sagline_analyser.cli", "plot", str(log), "-o", str(page), check=True)
    open_page(browser, page)
    assert console_errors(browser) == []
    drawn = browser.execute_script("return spec.segments")
    assert [segment["number"] for segment in drawn] == [1, 2, 3]
    assert all(before["end"] < after["start"] for before, after in pairwise(drawn))
    ride = load_ride(log)
    assert [s.boot for s in ride.segments] == [7, 8, 9]
    for segment, shown in zip(ride.segments, drawn, strict=True):
        assert (shown["start"], shown["end"]) == pytest.approx(
            (segment.start, segment.end), abs=1e-3
        )
    # On the lane each stands right of the one before, under its number.
    numbers = browser.find_elements(By.CSS_SELECTOR, "svg text.number")
    assert [number.text for number in numbers] == ["1", "2", "3"]
    bars = browser.find_elements(By.CSS_SELECTOR, "svg rect.segment")
    edges = [(bar.rect["x"], bar.rect["x"] + bar.rect["width"]) for bar in bars]
    assert len(edges) == 3
    assert all(before[1] < after[0] for before, after in pairwise(edges))
    restarts = [
        e["t"] for e in browser.execute_script("return spec.events") if e["what"] == "restart"
    ]
    assert restarts == [drawn[1]["start"], drawn[2]["start"]]
    # No line is drawn across the time without power.
    crossing = browser.execute_script(
        """
        const [a, b] = arguments;
        return panels.flatMap(({ drawn }) => drawn).filter((trace) =>
          trace.x.some((x, i) => i && trace.x[i - 1] <= a && x >= b &&
            trace.y[i - 1] === trace.y[i - 1] && trace.y[i] === trace.y[i])).length;
        """,
        drawn[0]["end"],
        drawn[1]["start"],
    )
    assert crossing == 0


@pytest.mark.parametrize("peak", [9.87e5, 1.234e6, 8.7654e7, 4.2e9, -7.5e6])
def test_labels_of_large_values_are_whole(
    browser: webdriver.Chrome, tmp_path: Path, peak: float
) -> None:
    time = np.arange(0.0, 60.0, 0.5)
    large = channel("odd_count", "x", exponent=2)
    ride = make_ride(make_stream("fast", time, {large: np.linspace(0, peak, time.size)}))
    page = tmp_path / "large.html"
    write_page(ride, page)
    open_page(browser, page)
    ticks = browser.execute_script(TICKS)
    assert len(ticks) > 2
    assert browser.execute_script(CLIPPED) == []


def test_three_motors_have_three_colours_in_every_panel() -> None:
    """Also beside another quantity of the panel: no line has another's colour."""
    columns = [
        Column(channel(name, "°C", index), "fast", np.zeros(9))
        for name in ("motor_temperature", "controller_temperature")
        for index in (1, 2, 3)
    ]
    (group,) = lay_out(columns)
    (panel,) = group.panels
    assert len(panel.lines) == 6
    assert len({line.colour for line in panel.lines}) == 6
    motors = {
        line.column.channel.index: line.colour
        for line in panel.lines
        if line.column.channel.name == "motor_temperature"
    }
    assert len(set(motors.values())) == 3
