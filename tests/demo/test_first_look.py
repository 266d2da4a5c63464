"""What the demo's page shows before anything is opened."""

import base64
import re
from pathlib import Path

import pytest
from selenium import webdriver

from support.browser import emulate, open_page

WORDS, SHEETS = 900, 6

BOTTOMS = """
return [...document.querySelectorAll("#strip-picture, .card.act h3")]
  .map((one) => one.getBoundingClientRect().bottom);
"""


@pytest.mark.parametrize(("width", "height"), [(1400, 900), (390, 844)])
def test_few_words_stand_open_and_the_first_screen_asks_for_action(
    browser: webdriver.Chrome, demo_page: Path, width: int, height: int
) -> None:
    emulate(browser, width, height)
    try:
        open_page(browser, demo_page)
        words = browser.execute_script("return document.body.innerText").split()
        assert 300 < len(words) <= WORDS
        bottoms = browser.execute_script(BOTTOMS)
        assert len(bottoms) > 2 and max(bottoms) <= height
    finally:
        emulate(browser, 1400, 1000)


def test_it_prints_on_few_sheets(browser: webdriver.Chrome, demo_page: Path) -> None:
    open_page(browser, demo_page)
    options = {"paperWidth": 8.27, "paperHeight": 11.69, "printBackground": True}
    printed = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", options)["data"])
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) <= SHEETS
