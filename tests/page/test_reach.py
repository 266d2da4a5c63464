"""The page by touch, by key, and what can be taken out of it as a picture."""

import base64
import io
import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from support.accessible import tabbed
from support.browser import console_errors, emulate, open_page, wait_drawn

VIEW = "return [view.start, view.end]"


def test_two_fingers_on_the_strip_are_the_ends_of_the_view(
    browser: webdriver.Chrome, page: Path
) -> None:
    emulate(browser, 390, 844)
    browser.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    try:
        open_page(browser, page)
        left, top, start, end = browser.execute_script(
            "const box = document.getElementById('strip-picture').getBoundingClientRect();"
            "return [box.left, box.top, stripX(30), stripX(60)]"
        )

        def fingers(kind: str, *places: float) -> None:
            points = [{"x": left + x, "y": top + 60, "id": n} for n, x in enumerate(places)]
            browser.execute_cdp_cmd(
                "Input.dispatchTouchEvent", {"type": kind, "touchPoints": points}
            )

        fingers("touchStart", 140)
        fingers("touchStart", 140, 180)
        for share in np.linspace(0, 1, 6):
            fingers("touchMove", 140 + share * (start - 140), 180 + share * (end - 180))
        fingers("touchEnd")
        wait_drawn(browser)
        assert browser.execute_script(VIEW) == pytest.approx([30, 60], abs=1.0)
        # One finger afterwards moves that window.
        fingers("touchStart", (start + end) / 2)
        for step in range(1, 5):
            fingers("touchMove", (start + end) / 2 + 10 * step)
        fingers("touchEnd")
        wait_drawn(browser)
        moved = browser.execute_script(VIEW)
        assert moved[1] - moved[0] == pytest.approx(30, abs=1.0) and moved[0] > 35
    finally:
        browser.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})
        emulate(browser, 1400, 1000)


def test_all_of_it_by_key(browser: webdriver.Chrome, page: Path) -> None:
    """Every control is reached by Tab, and what a pointer does on plots and strip a key does."""
    open_page(browser, page)
    body = browser.find_element(By.TAG_NAME, "body")
    wanted = browser.execute_script(
        """
        const kinds = "button, summary, a[href], select, [tabindex='0']";
        const all = [...document.querySelectorAll(kinds)]
          .filter((one) => !one.disabled && one.checkVisibility({ visibilityProperty: true }));
        all.forEach((one, n) => { one.dataset.stop = n; });
        return all.length;
        """
    )
    assert wanted > 40
    reached = set(tabbed(browser, wanted + 5, "one.dataset.stop"))
    assert {str(n) for n in range(wanted)} <= reached
    # A card opens and a group folds by Enter.
    card = browser.find_element(By.CSS_SELECTOR, ".card details > summary")
    card.send_keys(Keys.ENTER)
    assert browser.find_element(By.CSS_SELECTOR, ".card details[open] .verdict").is_displayed()
    card.send_keys(Keys.ENTER)
    # View: zoom, move, the view before, the whole; cursor and ruler.
    whole = browser.execute_script(VIEW)
    for keys, narrower in (("+", True), (Keys.SHIFT + Keys.ARROW_LEFT, True), ("0", False)):
        body.send_keys(keys)
        wait_drawn(browser)
        start, end = browser.execute_script(VIEW)
        assert (end - start < 0.6 * (whole[1] - whole[0])) is narrower
    # However fast they come, each key pressed is a step of its own.
    body.send_keys("+u")
    assert browser.execute_script(VIEW) == whole
    body.send_keys("+0+")
    near = browser.execute_script(VIEW)
    steps = []
    for key in "uuurrr":
        body.send_keys(key)
        steps.append(browser.execute_script(VIEW))
    assert steps == [whole, near, whole, near, whole, near] and near != whole
    # A key held down is one step, however often it repeats.
    browser.execute_script(
        """
        for (const repeat of [false, true, true]) {
          const key = { key: "+", repeat, bubbles: true };
          document.body.dispatchEvent(new KeyboardEvent("keydown", key));
        }
        """
    )
    assert browser.execute_script(VIEW)[1] - browser.execute_script(VIEW)[0] < 0.2 * whole[1]
    body.send_keys("u")
    assert browser.execute_script(VIEW) == near
    body.send_keys("a", Keys.ARROW_RIGHT, "b")
    assert "Δt" in browser.find_element(By.ID, "ruler").text
    assert console_errors(browser) == []


def test_the_view_is_saved_as_one_picture(browser: webdriver.Chrome, page: Path) -> None:
    open_page(browser, page)
    browser.execute_script("setView(20, 30)")
    wait_drawn(browser)
    data, panels = browser.execute_async_script(
        """
        const done = arguments[0];
        picture().then((blob) => {
          const reader = new FileReader();
          reader.onload = () => done([reader.result, panels.map((p) => p.height)]);
          reader.readAsDataURL(blob);
        });
        """
    )
    head, _, text = data.partition(",")
    assert head == "data:image/png;base64"
    image = Image.open(io.BytesIO(base64.b64decode(text))).convert("RGB")
    across = browser.execute_script("return width()")
    assert image.width == 2 * across
    assert image.height / 2 >= sum(panels) + 20 * len(panels)
    # The lines of the first plot are in it: black, as drawn, in the place of the plot.
    pixels = np.asarray(image)
    plot = pixels[2 * 60 : 2 * (54 + panels[0] - 10), 2 * 60 : 2 * (across - 220)]
    assert (plot.max(axis=2) < 60).sum() > 300
    assert console_errors(browser) == []


def test_saving_the_picture_names_the_stretch(
    browser: webdriver.Chrome, page: Path, tmp_path: Path
) -> None:
    browser.execute_cdp_cmd(
        "Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(tmp_path)}
    )
    open_page(browser, page)
    browser.execute_script("setView(20, 30)")
    wait_drawn(browser)
    browser.find_element(By.ID, "do-picture").click()
    browser.execute_async_script(
        "const done = arguments[0]; const look = () => /saved/.test("
        "document.getElementById('status').textContent) ? setTimeout(done, 500) : "
        "setTimeout(look, 50); look();"
    )
    names = [path.name for path in tmp_path.iterdir()]
    assert len(names) == 1 and re.fullmatch(r"Kestrel 20\.0 to 30\.0 s\.png", names[0]), names
