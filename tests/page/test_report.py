"""The report in a real browser: what it draws is what the log holds."""

import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from sagline_analyser.findings.readings.electric import battery_current, pack_voltage
from sagline_analyser.findings.readings.series import integral, product
from sagline_analyser.load import Ride
from sagline_analyser.page.document import write_page
from sagline_logger.format import Channel, Samples, SampleType, Stream, open_log, read_log
from support.browser import console_errors, emulate, open_page, requests, wait_drawn
from support.rides import channel, make_ride, make_stream

DRAWN = """
const drawn = {};
for (const panel of panels) {
  for (const { key, x, y } of panel.drawn) {
    const { factor } = panel.lines.find((line) => line.column.key === key);
    drawn[key] = { x, y: y.map((v) => v !== v ? null : v), factor };
  }
}
return { drawn, start: view.start, end: view.end };
"""


def samples_in(log: Path) -> dict[str, list[float]]:
    """Read every value of every column from the frames, one record at a time."""
    streams: dict[int, Stream] = {}
    values: dict[str, list[float]] = {}
    with open_log(log) as file:
        for entry in read_log(file):
            if isinstance(entry.record, Stream):
                streams[entry.record.stream] = entry.record
            elif isinstance(entry.record, Samples):
                stream = streams[entry.record.stream]
                for row in entry.record.rows(stream):
                    for one, raw in zip(stream.channels, row, strict=True):
                        values.setdefault(one.key, []).append(one.value(raw))
    return values


def zoom_by_mouse(driver: webdriver.Chrome, start: float, end: float) -> None:
    """Drag over the first plot until the window is about start to end, as a rider would."""
    touch = driver.find_element(By.CSS_SELECTOR, ".touch")
    driver.execute_script("arguments[0].scrollIntoView({ block: 'center' })", touch)
    width = touch.size["width"]
    for _ in range(10):
        now = driver.execute_script("return [view.start, view.end]")
        scale = width / (now[1] - now[0])
        left, right = (start - now[0]) * scale, (end - now[0]) * scale
        if right - left > width * 0.9:
            return
        # A little wider while the target is only a few pixels, exact once it is large.
        spare = 30 if right - left < 60 else 0
        left, right = max(left - spare, 1), min(right + spare, width - 1)
        mouse = ActionChains(driver, duration=50)
        mouse.move_to_element_with_offset(touch, round(left - width / 2), 0)
        mouse.click_and_hold().move_by_offset(round(right - left), 0).release().perform()
        wait_drawn(driver)
    raise AssertionError("the window never got there")


def test_first_view_keeps_every_peak_and_makes_no_request(
    browser: webdriver.Chrome, page: Path, log: Path
) -> None:
    requests(browser)
    open_page(browser, page)
    assert console_errors(browser) == []
    outside = [url for url in requests(browser) if not url.startswith(("file:", "data:"))]
    assert outside == []
    truth = samples_in(log)
    found = browser.execute_script(DRAWN)
    overview = browser.execute_script(
        "return Object.fromEntries("
        "columns.map((c) => [c.key, c.overview.y.filter((v) => v === v)]))"
    )
    assert set(found["drawn"]) == {*truth, "cell_spread"}
    for key, values in truth.items():
        line = found["drawn"][key]
        shown = [v / line["factor"] for v in line["y"] if v is not None]
        for points in (shown, overview[key]):
            assert min(points) == pytest.approx(np.nanmin(values), rel=1e-12, abs=1e-12), key
            assert max(points) == pytest.approx(np.nanmax(values), rel=1e-12, abs=1e-12), key


def test_zoomed_by_mouse_to_two_seconds_every_channel_is_the_log(
    browser: webdriver.Chrome, page: Path, log: Path, ride: Ride
) -> None:
    open_page(browser, page)
    zoom_by_mouse(browser, 20, 22)
    found = browser.execute_script(DRAWN)
    start, end = found["start"], found["end"]
    assert 1.8 < end - start < 2.3
    truth = samples_in(log)
    assert len(truth) == 40
    for key, values in truth.items():
        stream = ride.find(key)
        assert stream is not None and len(stream.time) == len(values)
        inside = (stream.time >= start) & (stream.time <= end)
        line = found["drawn"][key]
        points = [
            (x, y / line["factor"])
            for x, y in zip(line["x"], line["y"], strict=True)
            if start <= x <= end and y is not None
        ]
        expected = np.array(values)[inside]
        expected_time = stream.time[inside][~np.isnan(expected)]
        expected = expected[~np.isnan(expected)]
        assert len(points) == len(expected) > 150, key
        x, y = np.array(points).T
        assert np.abs(x - expected_time).max() <= 0.6e-6, key
        one = stream.channels[key]
        quantum = abs(one.multiplier) * 10.0**one.exponent
        assert np.abs(y - expected).max() <= quantum * 1e-6, key
    assert console_errors(browser) == []


def test_ruler_by_mouse_gives_energy_and_statistics_of_the_log(
    browser: webdriver.Chrome, page: Path, ride: Ride
) -> None:
    open_page(browser, page)
    touch = browser.find_element(By.CSS_SELECTOR, ".touch")
    browser.execute_script("arguments[0].scrollIntoView({ block: 'center' })", touch)
    mouse = ActionChains(browser, duration=50).key_down(Keys.SHIFT)
    mouse.move_to_element_with_offset(touch, -300, 0).click_and_hold().move_by_offset(250, 0)
    mouse.release().key_up(Keys.SHIFT).perform()
    a, b = browser.execute_script("return [view.a, view.b]")
    assert b - a > 10
    current, voltage = battery_current(ride), pack_voltage(ride)
    assert current is not None and voltage is not None
    power = product(current.series, voltage.series)
    inside = (power.time >= a) & (power.time <= b + 1e-9)
    window = type(power)(power.time[inside], power.value[inside], power.gap[inside])
    energy = float(
        browser.find_element(By.CSS_SELECTOR, "#ruler p").get_attribute("data-energy") or "nan"
    )
    assert energy == pytest.approx(integral(window) / 3600, rel=1e-9)
    rows: dict[str, list[float]] = browser.execute_script(
        "return Object.fromEntries([...document.querySelectorAll('#ruler tr[data-column]')]"
        ".map((row) => [row.dataset.column, JSON.parse(row.dataset.values)]))"
    )
    stream = ride.find("battery_current")
    assert stream is not None
    values = stream.values["battery_current"][(stream.time >= a) & (stream.time <= b)]
    at_a, at_b, difference, least, mean, greatest = rows["battery_current"]
    assert (least, greatest) == (values.min(), values.max())
    assert difference == pytest.approx(at_b - at_a)
    assert mean == pytest.approx(np.trapezoid(values) / (len(values) - 1), rel=1e-9)


def test_keys_links_and_folding(browser: webdriver.Chrome, page: Path) -> None:
    open_page(browser, page)
    body = browser.find_element(By.TAG_NAME, "body")
    view = "return [view.start, view.end]"
    whole = browser.execute_script(view)
    body.send_keys("+")
    wait_drawn(browser)
    start, end = browser.execute_script(view)
    assert end - start == pytest.approx((whole[1] - whole[0]) / 2)
    body.send_keys(Keys.SHIFT + Keys.ARROW_RIGHT)
    assert browser.execute_script(view)[0] > start
    body.send_keys("0")
    assert browser.execute_script(view) == whole
    body.send_keys(Keys.ARROW_RIGHT)
    wait_drawn(browser)
    assert browser.execute_script("return view.cursor") > whole[1] / 2
    read_out = browser.find_elements(By.CSS_SELECTOR, "#readout .value")
    assert all(re.search(r"\d|–", one.text) for one in read_out)
    body.send_keys("a")
    body.send_keys(Keys.ARROW_RIGHT, "b")
    assert "Δt" in browser.find_element(By.ID, "ruler").text
    body.send_keys("c")
    assert not browser.find_element(By.ID, "ruler").is_displayed()

    link = browser.find_element(By.CSS_SELECTOR, ".episode a")
    address = link.get_attribute("href") or ""
    wanted = [float(number) for number in address.split("=")[1].split(",")]
    link.click()
    wait_drawn(browser)
    assert browser.execute_script(view) == pytest.approx(wanted)

    group = browser.find_element(By.CSS_SELECTOR, "#group-cell > summary")
    plot = browser.find_element(By.CSS_SELECTOR, "#group-cell .plot")
    group.click()
    assert not plot.is_displayed()
    group.click()
    assert plot.is_displayed()


def test_a_limit_says_its_reason_under_the_pointer(browser: webdriver.Chrome, page: Path) -> None:
    open_page(browser, page)
    place = browser.execute_script(
        "const panel = panels.find((p) => p.shown.length);"
        "panel.touch.scrollIntoView({ block: 'center' });"
        "const box = panel.touch.getBoundingClientRect();"
        "return [box.left + 200, box.top + toLevel(panel, panel.shown[0].level),"
        " panel.shown[0].reason]"
    )
    mouse = ActionChains(browser)
    mouse.w3c_actions.pointer_action.move_to_location(round(place[0]), round(place[1]))
    mouse.perform()
    assert place[2] in browser.find_element(By.ID, "tip").text


def test_two_fingers_zoom_on_a_small_screen(browser: webdriver.Chrome, page: Path) -> None:
    emulate(browser, 390, 800)
    browser.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    try:
        open_page(browser, page)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= 390
        x, y = browser.execute_script(
            "const touch = document.querySelector('.touch');"
            "touch.scrollIntoView({ block: 'center' });"
            "const box = touch.getBoundingClientRect(); return [box.left, box.top + 50]"
        )

        def fingers(kind: str, *places: float) -> None:
            points = [{"x": x + at, "y": y, "id": n} for n, at in enumerate(places)]
            browser.execute_cdp_cmd(
                "Input.dispatchTouchEvent", {"type": kind, "touchPoints": points}
            )

        fingers("touchStart", 120)
        fingers("touchStart", 120, 180)
        for spread in range(0, 100, 10):
            fingers("touchMove", 120 - spread, 180 + spread)
        fingers("touchEnd")
        wait_drawn(browser)
        start, end = browser.execute_script("return [view.start, view.end]")
        assert end - start < 60
        # The moment between the fingers stayed between them.
        assert start < 120 * 150 / 328 < end
    finally:
        browser.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})
        emulate(browser, 1400, 1000)


def test_without_decompression_it_says_so_and_shows_the_reduced_view(
    browser: webdriver.Chrome, page: Path
) -> None:
    added = browser.execute_cdp_cmd(
        "Page.addScriptToEvaluateOnNewDocument", {"source": "delete window.DecompressionStream"}
    )
    try:
        open_page(browser, page, "reduced")
        assert "cannot unpack" in browser.find_element(By.ID, "status").text
        assert browser.execute_script("return panels[0].drawn[0].x.length") > 100
    finally:
        browser.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", added)


def test_odd_columns_arrive_whole(browser: webdriver.Chrome, tmp_path: Path) -> None:
    """Floats, full-range integers, missing readings, gaps, and a pause of two hours."""
    random = np.random.default_rng(7)
    count = 5000
    time = np.arange(count) / 100
    time[3000:] += 7200  # more than 2^31 µs
    columns: dict[Channel, Any] = {
        Channel("odd_float", "x", SampleType.F32): random.normal(0, 1e-3, count),
        Channel("odd_u32", "x", SampleType.U32): random.integers(0, 2**32, count),
        Channel("odd_i32", "x", SampleType.I32, -3, 17, -2): random.integers(-1e6, 1e6, count),
        Channel("odd_u8", "x", SampleType.U8, missing=255): np.where(
            random.random(count) < 0.5, np.nan, random.integers(0, 254, count)
        ),
    }
    stream = make_stream("odd", time, columns, gap=[3000, 3100], period=0.01)
    page = tmp_path / "odd.html"
    write_page(make_ride(stream), page)
    open_page(browser, page)
    browser.execute_script("setView(7230, 7232)")
    wait_drawn(browser)
    found = browser.execute_script(DRAWN)["drawn"]
    inside = (time > 7230.005) & (time < 7231.995)
    for one in columns:
        values = stream.values[one.key][inside]
        line = zip(found[one.key]["x"], found[one.key]["y"], strict=True)
        points = {round(x, 5): y for x, y in line if y is not None}
        for x, y in zip(time[inside], values, strict=True):
            if math.isnan(y):
                assert round(x, 5) not in points
            else:
                assert points[round(x, 5)] == y, (one.key, x)
    # Nothing is drawn across the pause or the missing readings.
    browser.execute_script("setView(0, spec.duration)")
    wait_drawn(browser)
    line = browser.execute_script(DRAWN)["drawn"]["odd_i32"]
    across = [i for i in range(1, len(line["x"])) if line["x"][i] - line["x"][i - 1] > 7000]
    assert [line["y"][i] for i in across] == [None]
    assert console_errors(browser) == []


@pytest.mark.parametrize(
    "names",
    [["motor_temperature"], ["battery_current", "motor_current"], ["speed"], ["something_new"]],
)
def test_rides_with_few_channels_open(
    browser: webdriver.Chrome, tmp_path: Path, names: list[str]
) -> None:
    columns = {channel(name, "u"): np.arange(50.0) for name in names}
    page = tmp_path / "few.html"
    write_page(make_ride(make_stream("one", np.arange(50) / 10, columns)), page)
    open_page(browser, page)
    assert set(browser.execute_script(DRAWN)["drawn"]) == set(names)
    figures = browser.find_element(By.ID, "figures")
    assert "Could not be computed" in (figures.get_attribute("textContent") or "")
    assert console_errors(browser) == []


def test_dark_and_print_change_the_plots_colours(browser: webdriver.Chrome, page: Path) -> None:
    line = "return document.querySelector('.plot .line').getAttribute('stroke')"
    open_page(browser, page)
    assert browser.execute_script(line) == "#000"
    try:
        emulate(browser, 1400, 1000, dark=True)
        wait_drawn(browser)
        open_page(browser, page)
        assert browser.execute_script(line) == "#f2f2f2"
        browser.execute_script("dispatchEvent(new Event('beforeprint'))")
        assert browser.execute_script(line) == "#000"
        assert (
            browser.execute_script(
                "return document.querySelector('.plot .picture').getBoundingClientRect().width"
            )
            == 700
        )
        browser.execute_script("dispatchEvent(new Event('afterprint'))")
        assert browser.execute_script(line) == "#f2f2f2"
    finally:
        emulate(browser, 1400, 1000)


def test_large_and_small_numbers_on_the_axes_are_not_cut(
    browser: webdriver.Chrome, tmp_path: Path
) -> None:
    """Every label of a vertical axis lies whole within its plot."""
    time = np.arange(0, 10, 0.1)
    wave = np.sin(time)
    columns = {
        channel("pressure", "Pa", exponent=0): 101_325 + 900 * wave,
        channel("counts", "1", exponent=0): -1_900_000_000 * wave,
        channel("ticks", "Hz", exponent=0): 1_500_000 + 30 * wave,
        channel("flux", "Wb", exponent=-9): 4e-6 * wave,
        channel("strain", "m/m", exponent=-9): 2.2e-4 * wave,
        channel("steps", "Bd", exponent=0): -310_000 * wave,
    }
    page = tmp_path / "page.html"
    write_page(make_ride(make_stream("odd", time, columns)), page)
    open_page(browser, page)
    labels = browser.execute_script(
        "return panels.flatMap(({ plot }) => { const left = plot.getBoundingClientRect().left;"
        " return [...plot.querySelectorAll('.picture > .level')].map((t) =>"
        " [t.textContent, t.getBoundingClientRect().left - left]); })"
    )
    assert len(labels) > 10
    assert [label for label in labels if label[1] < 0] == []
    assert len({text for text, _ in labels}) > 10  # and they differ, so they tell something
    per_panel = browser.execute_script(
        "return panels.map(({ plot }) => [...plot.querySelectorAll('.picture > .level')]"
        ".map((t) => t.textContent))"
    )
    for texts in per_panel:
        assert len(set(texts)) == len(texts), texts
