"""The report held against the rules of axe-core (npm), in both colours and at both widths."""

from pathlib import Path

from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from support.accessible import SMALL, all_violations, violations
from support.browser import open_page


def test_axe_finds_nothing(browser: webdriver.Chrome, page: Path) -> None:
    assert all_violations(browser, page) == {}
    browser.execute_script("setCursor(3, true)")
    assert violations(browser) == []


def test_targets_are_large_enough_and_reached_by_key(browser: webdriver.Chrome, page: Path) -> None:
    open_page(browser, page)
    assert browser.execute_script(SMALL) == []
    reached = set()
    body = browser.find_element(By.TAG_NAME, "body")
    body.send_keys(Keys.TAB)
    for _ in range(40):
        focused = browser.switch_to.active_element
        reached.add(focused.get_attribute("id") or focused.tag_name)
        focused.send_keys(Keys.TAB)
    assert {"do-whole", "do-in", "do-link", "do-csv", "summary"} <= reached
