"""The strip at the head of the report, and the names of limits beside the plots."""

import re
from pathlib import Path

import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By

from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.load import Ride
from sagline_analyser.page.strip import STRETCHES, strip
from support.browser import console_errors, emulate, open_page, wait_drawn
from support.capture import wait_until
from support.rides import channel, make_ride, make_stream

VIEW = "return [view.start, view.end]"
OVERLAPS = """
const over = [];
for (const panel of panels) {
  if (!panel.box.open) continue;
  const plot = panel.touch.getBoundingClientRect();
  const names = [...panel.labels.querySelectorAll(":scope > span")].map((name) =>
    name.getBoundingClientRect());
  names.forEach((box, n) => {
    if (box.left < plot.right && box.right > plot.left) over.push([panel.title, "on the plot"]);
    if (n && box.top < names[n - 1].bottom - 0.5) over.push([panel.title, "on another name"]);
  });
}
return over;
"""


def test_rows_keep_the_extremes_of_the_ride(ride: Ride) -> None:
    found = strip(Gathered(ride))
    stream = ride.find("battery_current")
    assert stream is not None
    current = stream.values["battery_current"]
    low, high = found["current"]
    assert len(low) == len(high) == STRETCHES
    assert min(v for v in low if v is not None) == pytest.approx(np.nanmin(current), abs=0.05)
    assert max(v for v in high if v is not None) == pytest.approx(np.nanmax(current), abs=0.05)
    cells = [ride.find(key).values[key] for key in ride.keys("cell_voltage")]  # type: ignore[union-attr]
    lowest = min(float(np.nanmin(cell)) for cell in cells)
    assert min(v for v in found["cell"] if v is not None) == pytest.approx(lowest, abs=5e-4)
    assert found["stop"] is None


def test_a_slow_stream_is_held_and_a_gap_is_left_empty() -> None:
    time = np.arange(100.0)
    stream = make_stream("slow", time, {channel("battery_current", "A"): time}, gap=[50])
    other = make_stream("end", np.array([0.0, 99.0]), {channel("odd", "x"): np.zeros(2)})
    low, _ = strip(Gathered(make_ride(stream, other)))["current"]
    stretch = 99 / STRETCHES
    assert low[round(10.5 / stretch)] == 10.0
    assert low[round(49.5 / stretch)] is None
    assert low[round(60.5 / stretch)] == 60.0


def test_a_ride_without_these_channels_has_an_empty_strip(
    browser: webdriver.Chrome, tmp_path: Path
) -> None:
    from sagline_analyser.page.document import write_page

    stream = make_stream("one", np.arange(50) / 10, {channel("odd", "x"): np.arange(50.0)})
    assert set(strip(Gathered(make_ride(stream)))) == {"count"}
    write_page(make_ride(stream), tmp_path / "odd.html")
    open_page(browser, tmp_path / "odd.html")
    assert browser.find_element(By.CSS_SELECTOR, "#strip-picture svg").is_displayed()
    assert console_errors(browser) == []


@pytest.mark.parametrize("width", [1400, 390])
def test_no_name_of_a_limit_covers_a_plot_or_another_name(
    browser: webdriver.Chrome, page: Path, width: int
) -> None:
    emulate(browser, width, 900)
    try:
        open_page(browser, page)
        assert browser.execute_script("return panels.filter((p) => p.shown.length).length") > 2
        assert browser.execute_script(OVERLAPS) == []
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width
        browser.execute_script("setView(20, 40)")
        wait_drawn(browser)
        assert browser.execute_script(OVERLAPS) == []
    finally:
        emulate(browser, 1400, 1000)


def test_a_window_dragged_on_the_strip_is_the_view_with_undo_and_an_address(
    browser: webdriver.Chrome, page: Path
) -> None:
    open_page(browser, page)
    whole = browser.execute_script(VIEW)
    picture = browser.find_element(By.ID, "strip-picture")
    mouse = ActionChains(browser, duration=50)
    mouse.move_to_element(picture).click_and_hold().move_by_offset(200, 0).release().perform()
    wait_drawn(browser)
    start, end = browser.execute_script(VIEW)
    assert whole[0] < start < end < whole[1]
    pixels = browser.execute_script("return stripPixels()")
    assert end - start == pytest.approx(200 / pixels * whole[1], rel=0.02)
    # The window is moved by its middle.
    middle = browser.execute_script(
        "return stripX((view.start + view.end) / 2) - arguments[0].clientWidth / 2", picture
    )
    mouse = ActionChains(browser, duration=50)
    mouse.move_to_element_with_offset(picture, round(middle), 0).click_and_hold()
    mouse.move_by_offset(-100, 0).release().perform()
    wait_drawn(browser)
    moved = browser.execute_script(VIEW)
    assert moved[1] - moved[0] == pytest.approx(end - start)
    assert moved[0] == pytest.approx(start - 100 / pixels * whole[1], rel=0.05)
    named = f"#t={moved[0]:.3f},{moved[1]:.3f}"
    wait_until(lambda: browser.current_url.endswith(named))
    address = browser.current_url
    browser.find_element(By.ID, "do-undo").click()
    assert browser.execute_script(VIEW) == pytest.approx([start, end])
    browser.find_element(By.ID, "do-undo").click()
    assert browser.execute_script(VIEW) == whole
    assert "#" not in browser.current_url
    assert not browser.find_element(By.ID, "do-undo").is_enabled()
    browser.find_element(By.ID, "do-redo").click()
    assert browser.execute_script(VIEW) == pytest.approx([start, end])
    # The address shows the same stretch in a new visit.
    browser.get("about:blank")
    browser.get(address)
    wait_drawn(browser)
    assert browser.execute_script(VIEW) == pytest.approx(moved, abs=1e-3)
    assert console_errors(browser) == []


def test_the_same_link_works_three_times(browser: webdriver.Chrome, page: Path) -> None:
    open_page(browser, page)
    link = browser.find_element(By.CSS_SELECTOR, ".tiles a")
    wanted = [float(v) for v in (link.get_attribute("href") or "").split("=")[1].split(",")]
    for _ in range(3):
        browser.execute_script("arguments[0].click()", link)
        wait_drawn(browser)
        assert browser.execute_script(VIEW) == pytest.approx(wanted)
        browser.execute_script("setView(...whole)")
        wait_drawn(browser)


def test_a_touch_that_moves_nothing_leaves_the_address(
    browser: webdriver.Chrome, page: Path
) -> None:
    """It may name a place of the page, or a stretch that is yet to be shown."""
    open_page(browser, page)
    browser.execute_script("location.hash = 'traces'")
    browser.find_element(By.TAG_NAME, "h1").click()
    assert browser.current_url.endswith("#traces")


def test_the_strip_docks_without_moving_anything(browser: webdriver.Chrome, page: Path) -> None:
    open_page(browser, page)
    height = "return document.documentElement.scrollHeight"
    before = browser.execute_script(height)
    browser.execute_script("scrollTo(0, 2000)")
    strip_box = browser.find_element(By.ID, "strip")
    wait_until(lambda: "docked" in (strip_box.get_attribute("class") or ""))
    assert browser.execute_script("return arguments[0].getBoundingClientRect().top", strip_box) == 0
    assert browser.execute_script(height) == before
    browser.execute_script("scrollTo(0, 0)")
    wait_until(lambda: "docked" not in (strip_box.get_attribute("class") or ""))


def test_the_view_is_saved_as_csv_sample_by_sample(
    browser: webdriver.Chrome, page: Path, ride: Ride
) -> None:
    open_page(browser, page)
    text = browser.execute_script("return csv('time [s]', 20, 21)")
    head, *rows = text.splitlines()
    stream = ride.find("battery_current")
    assert stream is not None
    inside = (stream.time >= 20) & (stream.time <= 21)
    assert len(rows) == np.count_nonzero(inside)
    at = head.split(",").index("battery_current [A]")
    values = [float(row.split(",")[at]) for row in rows]
    assert values == stream.values["battery_current"][inside].tolist()


@pytest.mark.parametrize("width", [1400, 390])
def test_nothing_moves_while_the_cursor_slides(
    browser: webdriver.Chrome, page: Path, width: int
) -> None:
    emulate(browser, width, 900)
    try:
        open_page(browser, page)
        browser.execute_script("document.getElementById('groups').scrollIntoView()")
        browser.execute_script("setCursor(1, true)")
        browser.execute_async_script("setTimeout(arguments[0], 300)")
        moved = browser.execute_async_script(
            """
            const done = arguments[0];
            const moved = [];
            new PerformanceObserver((list) => {
              for (const { sources } of list.getEntries()) {
                moved.push(...sources.map(({ node }) => node?.outerHTML?.slice(0, 90)));
              }
            }).observe({ type: "layout-shift" });
            let t = 2;
            const slide = () => {
              setCursor(t, true);
              t += 3;
              if (t < spec.duration) requestAnimationFrame(slide);
              else setTimeout(() => done(moved), 300);
            };
            slide();
            """
        )
        assert moved == []
        assert re.search(r"\d", browser.find_element(By.CSS_SELECTOR, "#readout .value").text)
    finally:
        emulate(browser, 1400, 1000)
