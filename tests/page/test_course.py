"""The course on the page: drawn from the fixes, joined with the cursor; no map is asked for."""

from pathlib import Path

import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.support.select import Select

from sagline_analyser.page.course import CIVIDIS, MOST, course_data
from sagline_analyser.page.document import write_page
from support.accessible import all_violations
from support.browser import console_errors, open_page, requests, wait_drawn
from support.rides import channel, make_ride, make_stream

COUNT = 300


@pytest.fixture(scope="module")
def round_trip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A circle of 200 m around a place on the open sea."""
    angle = np.linspace(0, 2 * np.pi, COUNT)
    columns = {
        channel("latitude", "°", exponent=-7): -1.5 + 0.001 * np.sin(angle),
        channel("longitude", "°", exponent=-7): -5.5 + 0.001 * np.cos(angle),
        channel("altitude", "m"): 20 + 5 * np.sin(angle),
        channel("speed", "m/s"): np.linspace(1, 9, COUNT),
        channel("state_of_charge", "1"): np.linspace(0.8, 0.7, COUNT),
    }
    path = tmp_path_factory.mktemp("course") / "round.html"
    write_page(make_ride(make_stream("one", np.arange(COUNT) / 2, columns, [], 0.5)), path)
    return path


def colour_near(driver: webdriver.Chrome, t: float) -> list[int]:
    found: list[int] = driver.execute_script(
        """
        const i = search(course.t, arguments[0]);
        const [x, y] = course.place(i).map((v) => Math.round(v * (devicePixelRatio || 1)));
        return [...course.canvas.getContext("2d").getImageData(x, y, 1, 1).data].slice(0, 3);
        """,
        t,
    )
    return found


def test_it_is_coloured_by_the_channel_chosen(browser: webdriver.Chrome, round_trip: Path) -> None:
    requests(browser)
    open_page(browser, round_trip)
    assert all(url.startswith(("file:", "data:")) for url in requests(browser))
    chosen = Select(browser.find_element(By.ID, "course-by"))
    assert chosen.first_selected_option.text == "speed"
    slow, fast = colour_near(browser, 2), colour_near(browser, 145)
    assert slow[2] > slow[0] and fast[0] > 180 and fast[0] > fast[2] + 50  # dark blue to yellow
    chosen.select_by_visible_text("altitude")
    top, bottom = colour_near(browser, 37), colour_near(browser, 112)
    assert top[0] > bottom[0] + 100
    assert "25.0" in browser.find_element(By.CSS_SELECTOR, ".by").text
    # The part that is not in view is not coloured.
    browser.execute_script("setView(0, 30)")
    wait_drawn(browser)
    assert max(colour_near(browser, 112)) - min(colour_near(browser, 112)) < 60
    # Reading pixels back is this test's own doing.
    assert [e for e in console_errors(browser) if "getImageData" not in e["message"]] == []


def test_cursor_and_course_are_joined_both_ways(
    browser: webdriver.Chrome, round_trip: Path
) -> None:
    open_page(browser, round_trip)
    browser.execute_script("setCursor(100, true)")
    wait_drawn(browser)
    shown = browser.execute_async_script(
        """
        const done = arguments[0];
        requestAnimationFrame(() => requestAnimationFrame(() => {
          const box = course.here.getBoundingClientRect();
          const { left, top } = course.canvas.getBoundingClientRect();
          const [x, y] = course.place(search(course.t, 100));
          done([box.left + box.width / 2 - left - x, box.top + box.height / 2 - top - y]);
        }));
        """
    )
    assert np.abs(shown).max() < 2
    browser.execute_script(
        """
        course.canvas.scrollIntoView({ block: "center" });
        const { left, top } = course.canvas.getBoundingClientRect();
        const [x, y] = course.place(search(course.t, 40));
        const touched = { clientX: left + x, clientY: top + y };
        course.canvas.dispatchEvent(new MouseEvent("click", touched));
        """
    )
    assert browser.execute_script("return view.cursor") == pytest.approx(40, abs=1.0)


def test_nothing_over_time_is_drawn_of_a_place_and_the_page_stays_accessible(
    browser: webdriver.Chrome, round_trip: Path
) -> None:
    assert all_violations(browser, round_trip) == {}
    drawn = browser.execute_script("return panels.flatMap((p) => p.lines.map((l) => l.column.key))")
    assert set(drawn) == {"altitude", "speed", "state_of_charge"}


def test_a_ride_without_a_course_has_no_place_for_one(
    browser: webdriver.Chrome, page: Path
) -> None:
    open_page(browser, page)
    assert browser.find_elements(By.ID, "group-course") == []


def test_few_fixes_are_drawn_and_gaps_stay_gaps() -> None:
    count = 10 * MOST
    columns = {
        channel("latitude", "°", exponent=-7): np.linspace(1, 1.05, count),
        channel("longitude", "°", exponent=-7): np.full(count, 2.0),
    }
    ride = make_ride(make_stream("one", np.arange(count) / 5.0, columns, gap=[count // 2]))
    data = course_data(ride)
    assert data is not None and len(data["t"]) == MOST == len(data["x"]) == len(data["y"])
    assert data["cut"] == [MOST // 2]
    assert data["y"][-1] == pytest.approx(0.05 * 60 * 1852, rel=0.01)
    light = [sum(int(c[i : i + 2], 16) for i in (1, 3, 5)) for c in CIVIDIS]
    assert light == sorted(light)
