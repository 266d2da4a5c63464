"""The page in a real browser without a network, and the still pictures."""

import csv
import io
import time
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from selenium import webdriver
from selenium.webdriver.common.by import By

from sagline_analyser.load import load_ride
from sagline_analyser.share.choose import choose, window_around
from sagline_analyser.share.keep import KEEP
from sagline_analyser.share.page import page_parts
from sagline_analyser.share.picture import Stroke, Text, draw
from sagline_analyser.share.png import write_png
from sagline_analyser.share.shared import Shared, shared
from sagline_analyser.share.svg import as_svg
from support.accessible import OPEN_ALL, all_violations
from support.browser import WAIT, console_errors, emulate, open_page, requests
from support.shared_logs import ASKED, NEVER, planted, planted_log


def test_shown_copied_and_saved_without_a_network(
    browser: webdriver.Chrome, folder: Path, tmp_path: Path
) -> None:
    browser.execute_cdp_cmd(
        "Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(tmp_path)}
    )
    open_page(browser, folder / "page.html")
    browser.execute_script(OPEN_ALL)
    text = browser.find_element(By.TAG_NAME, "body").text
    for words in (
        "What came first",
        "Values around the moment",
        "Board limits",
        "Data quality",
        "What this file holds",
        "30 A: rating of fuse 'fuse 1'",
        "15 samples lost",
        "Caution:",
        "pack voltage (V)",
        "motor_current_limit = 45",
        "duty cycle above 0.9",
    ):
        assert words in text, words
    assert browser.find_elements(By.CSS_SELECTOR, "#groups .picture .line"), "no trace was drawn"
    browser.execute_async_script("scrollTo(0, 0); setTimeout(arguments[0], 200)")
    rows = browser.find_elements(By.CSS_SELECTOR, "#strip .amount")
    assert len(rows) == browser.execute_script("return stripRows().length") > 0
    for view in ("setView(view.start + 5, view.end - 5)", "setView(...whole)"):
        browser.execute_script(view)
        assert browser.execute_script(
            "const [from, to] = [stripX(view.start), stripX(view.end)];"
            "const box = document.querySelector('#strip .window');"
            "return [box.getAttribute('x') - from, box.getAttribute('width') - (to - from)]"
        ) == [0, 0]
    rows = browser.find_elements(By.CSS_SELECTOR, "#values tbody tr")
    values = {row.find_element(By.TAG_NAME, "th").text: row.text.split()[-2:] for row in rows}
    assert values["pack voltage (V)"][0] == "7.400" and values["lowest cell (V)"][0] == "3.600"

    browser.find_element(By.ID, "copy").click()
    done = browser.find_element(By.ID, "done")
    _until(lambda: done.text == "Copied.")
    browser.execute_script(
        "const t = document.createElement('textarea'); t.id = 'paste'; document.body.append(t);"
        "t.focus()"
    )
    browser.execute_cdp_cmd(
        "Input.dispatchKeyEvent",
        {
            "type": "keyDown",
            "key": "v",
            "code": "KeyV",
            "commands": ["paste"],
            "modifiers": 2,
        },
    )
    pasted = browser.execute_script("return document.getElementById('paste').value")
    assert pasted == browser.execute_script("return document.getElementById('text').value")
    assert "In order:" in pasted and "pack voltage (V): 6.900 → 7.400" in pasted

    browser.execute_script("document.getElementById('csv').click()")
    saved = tmp_path / "window.csv"
    _until(saved.exists)
    text = saved.read_text()
    hidden = [planted(place)[:15] for place in (*ASKED, *NEVER, "channel", "unit")]
    for secret in (*hidden, "latitude", "2026-", "SecretFolder", "SecretName"):
        assert secret.lower() not in text.lower()
    table = list(csv.reader(io.StringIO(text)))
    (stream,) = load_ride(folder / "page.html").streams.values()
    assert table[0][0] == "time from the moment [s]" and len(table) == stream.time.size + 1
    for key, values_sent in stream.values.items():
        (place,) = [n for n, title in enumerate(table[0]) if title.split(" [")[0] == key]
        read = [float(row[place]) if row[place] else np.nan for row in table[1:]]
        np.testing.assert_array_equal(read, values_sent)
    times = [float(row[0]) for row in table[1:]]
    np.testing.assert_allclose(times, stream.time - 20.0, atol=0.005)
    assert [row[-1] for row in table[1:]] == ["0", *stream.gap[1:].astype(int).astype(str)]

    for width in (390, 1400):
        emulate(browser, width, 900)
        _until(  # the plot follows a new width a moment later
            lambda: browser.execute_script("return document.documentElement.scrollWidth") <= width  # noqa: B023
        )
    assert {address.split(":")[0] for address in requests(browser)} <= {"file", "data", "blob"}
    assert console_errors(browser) == []


def test_axe_finds_nothing(browser: webdriver.Chrome, folder: Path) -> None:
    assert all_violations(browser, folder / "page.html") == {}


def _until(happened: object) -> None:
    assert callable(happened)
    late = time.monotonic() + WAIT
    while not happened():
        assert time.monotonic() < late
        time.sleep(0.05)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Shared:
    """Everything kept of a log whose every text is a script."""
    path = tmp_path_factory.mktemp("hostile") / "log.sagline"
    scripts = {"unit": "<b>", "label": '"><script>ran=1//', "channel": "'<img src=x onerror=ran=1>"}
    data = planted_log(lambda place: scripts.get(place, "</script><script>ran=1</script>"))
    path.write_bytes(data)
    ride = load_ride(path)
    moment = choose(ride)
    return shared(ride, moment, window_around(ride, moment), frozenset(KEEP), ride.board_file)


def test_scripts_in_every_text_stay_text(
    browser: webdriver.Chrome, hostile: Shared, tmp_path: Path
) -> None:
    path = tmp_path / "hostile.html"
    path.write_text("".join(page_parts(hostile)), encoding="utf-8")
    open_page(browser, path)
    browser.execute_script(OPEN_ALL)
    assert browser.execute_script("return typeof ran") == "undefined"
    assert "<script>ran=1</script>" in browser.find_element(By.TAG_NAME, "body").text
    assert console_errors(browser) == []
    browser.get("data:text/html,<title>empty</title>")
    still = tmp_path / "hostile.svg"
    still.write_text(as_svg(draw(hostile)))
    browser.get(still.as_uri())
    assert browser.execute_script("return typeof ran") == "undefined"
    write_png(draw(hostile), tmp_path / "hostile.png")


def test_the_pictures_can_be_read_on_a_phone(folder: Path) -> None:
    root = ET.fromstring((folder / "still.svg").read_text())
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    shown = [node for node in root.iter() if node.tag.endswith("}text")]
    words = " ".join(node.text or "" for node in shown)
    for part in ("Battery current (A)", "Lowest cell (V)", "0 s", "throttle", "limit", "stop 3"):
        assert part in words, part
    # 390 CSS px is the width of a common phone; 10 px the least that print-size text needs
    # (common practice, no source).
    assert min(float(n.attrib["font-size"]) for n in shown) * 390 / width >= 10
    for node in shown:
        assert 0 <= float(node.attrib["x"]) <= width and 0 < float(node.attrib["y"]) <= height
    with Image.open(folder / "still.png") as image:
        assert image.size == (width, height) and image.info.keys() <= {"transparency"}
        colours = {tuple(c) for _, c in image.convert("RGB").getcolors(1 << 20)}
    assert len(colours) > 10
    assert (folder / "still.png").stat().st_size < 300_000


def test_colours_stand_out(folder: Path) -> None:
    """WCAG 2.2, success criteria 1.4.3 and 1.4.11: 3 to 1 for large text and for graphics."""
    ride = load_ride(folder / "page.html")
    moment = choose(ride)
    share = shared(ride, moment, window_around(ride, moment), frozenset(), ride.board_file)
    grid = "#dfe3e6"  # the grid only helps the eye; the numbers stand beside it
    inks = {s.colour for s in draw(share).shapes if isinstance(s, Stroke | Text)} - {grid}
    assert len(inks) >= 4
    for ink in inks:
        assert 1.05 / (_luminance(ink) + 0.05) >= 3, ink


def _luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
