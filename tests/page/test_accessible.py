"""The report held against the rules of axe-core (npm), in both colours and at both widths."""

from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from support.browser import emulate, open_page

AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"


def violations(driver: webdriver.Chrome) -> list[str]:
    """Return every violation that axe-core finds, as ``rule: first place``."""
    driver.execute_script(AXE.read_text(encoding="utf-8"))
    found: list[str] = driver.execute_async_script(
        """
        const done = arguments[0];
        axe.run(document).then(({ violations }) => done(
          violations.map(({ id, nodes: [{ html }] }) => `${id}: ${html.slice(0, 120)}`)));
        """
    )
    return found


@pytest.mark.parametrize(("width", "dark"), [(1400, False), (390, True)])
def test_axe_finds_nothing(browser: webdriver.Chrome, page: Path, width: int, dark: bool) -> None:
    emulate(browser, width, 900, dark)
    try:
        open_page(browser, page)
        assert violations(browser) == []
        browser.execute_script(
            "for (const one of document.querySelectorAll('details')) one.open = true;"
            "setCursor(3, true)"
        )
        assert violations(browser) == []
    finally:
        emulate(browser, 1400, 1000)


def test_targets_are_large_enough_and_reached_by_key(browser: webdriver.Chrome, page: Path) -> None:
    open_page(browser, page)
    small = browser.execute_script(
        """
        return [...document.querySelectorAll("button, summary")]
          .map((one) => [one, one.getBoundingClientRect()])
          .filter(([, box]) => box.width && (box.width < 24 || box.height < 24))
          .map(([one]) => one.outerHTML.slice(0, 80));
        """
    )
    assert small == []
    reached = set()
    body = browser.find_element(By.TAG_NAME, "body")
    body.send_keys(Keys.TAB)
    for _ in range(40):
        focused = browser.switch_to.active_element
        reached.add(focused.get_attribute("id") or focused.tag_name)
        focused.send_keys(Keys.TAB)
    assert {"do-whole", "do-in", "do-link", "do-csv", "summary"} <= reached
