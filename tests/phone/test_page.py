"""The page on a telephone: a real Chromium at its size, a real ``record`` on a pseudo-terminal."""

import contextlib
import os
import signal
import time
from collections.abc import Callable
from dataclasses import replace

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By

from page.test_accessible import violations
from phone.conftest import Serve, Serving
from sagline_logger.format import End, Mark, read_log
from support.browser import emulate
from support.capture import wait_until
from support.standing_board import StandingBoard


def wait_seen(shown: Callable[[], object], pause: float = 0.1) -> None:
    """Wait until the page shows it; each look is three programs' work."""
    wait_until(shown, pause)


def text(driver: webdriver.Chrome, name: str) -> str:
    return driver.find_element(By.ID, name).text


def press(driver: webdriver.Chrome, selector: str) -> None:
    driver.find_element(By.CSS_SELECTOR, selector).click()


def open_page(driver: webdriver.Chrome, serving: Serving, secret: str = "") -> None:
    driver.get("about:blank")
    driver.get(f"http://{serving.host}:{serving.port}/" + (f"#{secret}" if secret else ""))
    wait_seen(lambda: text(driver, "status") not in ("", "…"))


def console(driver: webdriver.Chrome) -> list[str]:
    """Return what went wrong on the page; a refused request is told there, too."""
    return [one["message"] for one in driver.get_log("browser") if one["level"] == "SEVERE"]


@pytest.fixture
def driver(browser: webdriver.Chrome) -> webdriver.Chrome:
    """A browser as large as a telephone."""
    emulate(browser, 390, 844)
    return browser


def test_from_pairing_to_the_report(serve: Serve, driver: webdriver.Chrome) -> None:
    board = StandingBoard(cells=[3.9] * 12 + [3.1])  # one cell below the alarm voltage of 3.2 V
    serving = serve(board)
    open_page(driver, serving)
    assert not driver.find_element(By.ID, "mark").is_displayed()
    driver.find_element(By.ID, "secret").send_keys(serving.secret)
    press(driver, "#pair button")
    wait_seen(lambda: driver.find_element(By.ID, "mark").is_displayed())
    wait_seen(lambda: text(driver, "title") == "Kestrel")
    assert text(driver, "status") == "Capturing"
    before = text(driver, "capture")
    wait_seen(lambda: text(driver, "capture") != before)
    assert "3.10 V" in text(driver, "numbers")
    wait_seen(lambda: "below 3.2" in text(driver, "alarms"))
    for dark in (False, True):
        emulate(driver, 390, 844, dark)
        assert violations(driver) == []
    small = driver.execute_script(
        "return [...document.querySelectorAll('button, a, input')]"
        ".map((one) => one.getBoundingClientRect())"
        ".filter((box) => box.width && Math.min(box.width, box.height) < 44).length"
    )
    assert small == 0  # WCAG 2.2, 2.5.5 (level AAA): 44 px
    assert driver.execute_script("return document.documentElement.scrollWidth") <= 390

    driver.find_element(By.ID, "text").send_keys("gate <b>open</b>")
    press(driver, "#mark button")
    wait_seen(lambda: text(driver, "told") == "Mark 1 is in the log.")
    press(driver, "#check")
    wait_seen(lambda: "cell" in text(driver, "checked"))
    assert "replaces no inspection" in text(driver, "checked")

    press(driver, "#stop")
    driver.switch_to.alert.accept()
    wait_seen(lambda: text(driver, "status") == "No capture runs")
    wait_seen(lambda: "worst: cell voltage 13" in text(driver, "captures"))
    press(driver, "#captures button")
    for _ in range(5):  # it is made below all else, so a busy machine takes its time
        with contextlib.suppress(AssertionError):
            wait_seen(lambda: "Open report" in text(driver, "captures"), 1.0)
            break
    report = driver.find_element(By.LINK_TEXT, "Open report").get_attribute("href")
    press(driver, "#start")
    wait_seen(lambda: text(driver, "status") == "Capturing")
    assert console(driver) == []
    driver.get(report or "")
    wait_seen(lambda: "Kestrel" in driver.find_element(By.TAG_NAME, "h1").text)
    assert console(driver) == []
    with pytest.raises(Exception, match="sandboxed"):
        driver.execute_script("return document.cookie")
    assert serving.process.poll() is None
    first, second = sorted(serving.directory.glob("*.sagline"))
    records = [entry.record for entry in read_log(first.open("rb"))]
    assert [one.text for one in records if isinstance(one, Mark)] == ["gate <b>open</b>"]
    assert any(isinstance(one, End) and "telephone" in one.reason for one in records)
    assert second.stat().st_size > 0


def test_in_motion_there_is_one_line_and_no_figure(serve: Serve, driver: webdriver.Chrome) -> None:
    board = StandingBoard()
    board.fast |= {("speed", 0): 6.0, ("motor_current", 1): 20.0}
    serving = serve(board)
    told = serving.paired().state()
    wait_seen(lambda: serving.telephone().state()["moving"] is True)
    told = serving.paired().state()
    assert set(told) == {"stage", "capturing", "running", "moving", "paired"}
    open_page(driver, serving, serving.secret)
    wait_seen(lambda: driver.find_element(By.ID, "ride").is_displayed())
    seen = driver.find_element(By.TAG_NAME, "main").text.split("\n")
    assert seen[1:] == ["Capturing", "Look where you ride."]
    assert not driver.find_element(By.ID, "mark").is_displayed()


def test_a_board_whose_names_are_scripts_is_only_text(
    serve: Serve, driver: webdriver.Chrome
) -> None:
    name = "<img src=x onerror=document.title='x'>"

    class Hostile(StandingBoard):
        def records(self, seconds: float):  # type: ignore[no-untyped-def]
            for at, record in super().records(seconds):
                yield at, replace(record, name=name) if type(record).__name__ == "Board" else record

    serving = serve(Hostile())
    open_page(driver, serving, serving.secret)
    wait_seen(lambda: text(driver, "title") == name)
    assert driver.title == "Logger" and console(driver) == []
    assert driver.execute_script("return location.hash") == ""  # the secret is not kept there


def test_kill_9_while_serving_loses_no_frame_older_than_a_second(serve: Serve) -> None:
    serving = serve()
    visitor = serving.paired()
    time.sleep(2.5)
    before = visitor.state()["size"]
    time.sleep(1.0)
    os.kill(serving.process.pid, signal.SIGKILL)
    serving.process.wait(30)
    (log,) = serving.directory.glob("*.sagline")
    assert log.stat().st_size >= before
    again = serve()  # with the same directory: the telephone stays paired
    assert not again.secret
    visitor.serving = again
    assert visitor.get("/captures")[0] == 200
