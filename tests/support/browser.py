"""Headless Chromium for tests: the Debian packages chromium and chromium-driver."""

import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.service import Service

WAIT = 120.0
"""s to wait for the page before a test fails; generous, for slow machines."""


NO_NAMES = "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"
"""No page finds another machine, whatever it asks for."""


@contextmanager
def chromium(
    width: int = 1400, height: int = 1000, dark: bool = False, *more: str
) -> Iterator[webdriver.Chrome]:
    """Start a browser with a fresh profile that logs its console and its network requests."""
    programs = {name: shutil.which(name) for name in ("chromium", "chromedriver")}
    lacking = [name for name, path in programs.items() if path is None]
    assert not lacking, (
        f"{' and '.join(lacking)} not found; on Debian: apt-get install chromium chromium-driver"
    )
    with tempfile.TemporaryDirectory(
        prefix="sagline-chromium-", ignore_cleanup_errors=True
    ) as profile:
        options = webdriver.ChromeOptions()
        options.binary_location = programs["chromium"] or ""
        for argument in (
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--disable-dev-shm-usage",
            "--hide-scrollbars",
            f"--user-data-dir={profile}",
            f"--window-size={width},{height}",
            NO_NAMES,
            *more,
        ):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        driver = webdriver.Chrome(options, Service(programs["chromedriver"]))
        try:
            driver.get("about:blank")
            requests(driver)  # those of the browser's own first page
            driver.set_script_timeout(WAIT + 30)
            emulate(driver, width, height, dark)
            yield driver
        finally:
            driver.quit()


def anew(driver: webdriver.Chrome) -> None:
    """Leave nothing of the test before: its pairing, its size and colours, what it made the
    browser say."""
    if driver.current_url != "about:blank":
        driver.get("about:blank")  # lest the page before draws itself anew, or asks its server
    driver.execute_cdp_cmd("Network.clearBrowserCookies", {})
    driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})
    driver.execute_cdp_cmd("Browser.setDownloadBehavior", {"behavior": "default"})
    emulate(driver, 1400, 1000)
    console_errors(driver)
    requests(driver)


def emulate(driver: webdriver.Chrome, width: int, height: int, dark: bool = False) -> None:
    """Set the size of the page itself and the preferred colours."""
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})


def resize(driver: webdriver.Chrome, width: int, height: int, dark: bool = False) -> None:
    """Give the open page another size or other colours, and wait until it is drawn anew."""
    emulate(driver, width, height, dark)
    # The page hears of its new size before the next picture is made of it.
    driver.execute_async_script(
        "const done = arguments[0];"
        "requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done, 0)));"
    )
    wait_drawn(driver)


def open_page(driver: webdriver.Chrome, path: Path, state: str = "full") -> None:
    """Open a report and wait until all its samples are there and drawn."""
    driver.get(path.resolve().as_uri())
    wait_drawn(driver, state)


def wait_drawn(driver: webdriver.Chrome, state: str = "full") -> None:
    """Wait until the page is in ``state`` and has nothing left to draw."""
    done = driver.execute_async_script(
        """
        const [state, seconds, done] = arguments;
        const late = Date.now() + seconds * 1000;
        const look = () => {
          const { dataset } = document.body;
          if (dataset.state === state && dataset.busy === "") done("");
          else if (Date.now() > late) done(dataset.state + " " + dataset.busy + " " +
            document.getElementById("status").textContent);
          else setTimeout(look, 20);
        };
        setTimeout(look, 0);
        """,
        state,
        WAIT,
    )
    assert done == "", f"the page is not ready: {done}"


def console_errors(driver: webdriver.Chrome) -> list[dict[str, Any]]:
    """Return what the console has said at warning level or above since the last call."""
    return [e for e in driver.get_log("browser") if e["level"] in ("WARNING", "SEVERE")]


def requests(driver: webdriver.Chrome) -> list[str]:
    """Return the address of every request the page has made since the last call."""
    messages = [json.loads(e["message"])["message"] for e in driver.get_log("performance")]
    return [
        m["params"]["request"]["url"]
        for m in messages
        if m["method"] == "Network.requestWillBeSent"
    ]
