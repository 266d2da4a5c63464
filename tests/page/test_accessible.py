"""The report held against the rules of axe-core (npm), in both colours and at both widths."""

from pathlib import Path

from selenium import webdriver

from support.accessible import OPEN_ALL, SMALL, all_violations, tabbed, violations
from support.browser import open_page


def test_axe_finds_nothing(browser: webdriver.Chrome, page: Path) -> None:
    assert all_violations(browser, page) == {}
    browser.execute_script(f"{OPEN_ALL} setCursor(3, true)")
    assert violations(browser) == []


def test_targets_are_large_enough_and_reached_by_key(browser: webdriver.Chrome, page: Path) -> None:
    open_page(browser, page)
    assert browser.execute_script(SMALL) == []
    reached = set(tabbed(browser, 40, "one.id || one.localName"))
    assert {"do-whole", "do-in", "do-link", "do-csv", "summary"} <= reached
