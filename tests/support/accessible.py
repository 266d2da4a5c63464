"""The published accessibility rules of axe-core (npm, pinned in tests/page/package.json)."""

from pathlib import Path

from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from support.browser import emulate, open_page, resize

AXE = Path(__file__).parents[1] / "page" / "node_modules" / "axe-core" / "axe.min.js"

OPEN_ALL = "for (const one of document.querySelectorAll('details')) one.open = true;"
_CLOSED = "window.closed_ones = [...document.querySelectorAll('details:not([open])')];"
_CLOSE = "for (const one of window.closed_ones) one.open = false;"

LOOKS = ((1400, False), (390, True))
"""Width of the screen in px, and whether the reader prefers dark colours, as a page is opened; the
other colours are chosen while it is open."""

SMALL = """
return [...document.querySelectorAll("button, summary")]
  .map((one) => [one, one.getBoundingClientRect()])
  .filter(([, box]) => box.width && (box.width < 24 || box.height < 24))
  .map(([one]) => one.outerHTML.slice(0, 80));
"""


def tabbed(driver: webdriver.Chrome, times: int, tell: str) -> list[str]:
    """Press Tab so often and return what ``tell``, an expression of ``one``, says of each element
    that got the focus; all keys in one message, which costs a hundredth of one each."""
    driver.execute_script(
        "window.focused = [];"
        f"const tell = (one) => {tell};"
        'document.addEventListener("focusin", ({ target }) => focused.push(tell(target)));'
    )
    driver.find_element(By.TAG_NAME, "body").send_keys(Keys.TAB * times)
    found: list[str] = driver.execute_script("return focused")
    return found


def violations(driver: webdriver.Chrome) -> list[str]:
    """Return every violation that axe-core finds, as ``rule: first place``."""
    if driver.execute_script("return typeof axe") == "undefined":  # once a page that is opened
        driver.execute_script(AXE.read_text(encoding="utf-8"))
    # Every rule runs; only what else there would be to tell of its passes is not gathered.
    found: list[str] = driver.execute_async_script(
        """
        const done = arguments[0];
        const told = { resultTypes: ["violations"], selectors: false };
        axe.run(document, told).then(({ violations }) => done(
          violations.map(({ id, nodes: [{ html }] }) => `${id}: ${html.slice(0, 120)}`)));
        """
    )
    return found


def wrong(driver: webdriver.Chrome) -> list[str]:
    """Return what axe-core finds, and what is too small a target, on the page as it is."""
    small: list[str] = driver.execute_script(SMALL)
    return violations(driver) + small


def all_violations(driver: webdriver.Chrome, page: Path) -> dict[str, list[str]]:
    """Return what axe-core finds, and what is too small a target, in every look, closed and open.

    Empty where nothing is wrong.
    """
    found = {}
    for width, dark in LOOKS:
        emulate(driver, width, 900, dark)
        open_page(driver, page)
        driver.execute_script(_CLOSED)
        look = f"{width} px, {'dark' if dark else 'light'}"
        found[look] = wrong(driver)
        driver.execute_script(OPEN_ALL)
        found[f"{look}, all open"] = wrong(driver)
        resize(driver, width, 900, not dark)
        found[f"{look} no more, all open"] = wrong(driver)
        driver.execute_script(_CLOSE)
        found[f"{look} no more"] = wrong(driver)
    emulate(driver, 1400, 1000)
    return {look: told for look, told in found.items() if told}
