"""What the demo's page shows before anything is opened."""

import base64
import re
from pathlib import Path

import pytest
from selenium import webdriver

from support.browser import emulate, open_page

WORDS, SHEETS = 900, 6
OWN = 40
"""Words that the demo's own page has more: its note, and that its clock was run faster."""

OPEN_WORDS = r"""
const count = (text) => (text.match(/\S+/g) || []).length;
// The choices of a closed list are in innerText, and on no screen.
const hidden = [...document.querySelectorAll("option:not(:checked)")];
const unseen = hidden.reduce((sum, one) => sum + count(one.textContent), 0);
return count(document.body.innerText) - unseen;
"""

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
        words = browser.execute_script(OPEN_WORDS)
        assert 300 < words <= WORDS - OWN
        bottoms = browser.execute_script(BOTTOMS)
        assert len(bottoms) > 2 and max(bottoms) <= height
    finally:
        emulate(browser, 1400, 1000)


def test_it_prints_on_few_sheets(browser: webdriver.Chrome, demo_page: Path) -> None:
    open_page(browser, demo_page)
    options = {"paperWidth": 8.27, "paperHeight": 11.69, "printBackground": True}
    printed = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", options)["data"])
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) <= SHEETS
