"""Hostile names, notes and fault texts stay text, and the page's policy forbids the rest."""

import base64
import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
from selenium import webdriver
from selenium.webdriver.common.by import By

from sagline_analyser.load.ride import RideEvent, RideMark
from sagline_analyser.page.document import write_page
from sagline_analyser.page.figures import figure
from sagline_logger.format import EventKind, read_board_file
from support.browser import console_errors, open_page, requests
from support.rides import channel, make_ride, make_stream

HOSTILE = [
    "<script>window.ran = 1</script>",
    "</script><script>window.ran = 1</script>",
    "<!--<script>",
    '"><img src=x onerror="window.ran = 1">',
    "' onmouseover='window.ran = 1",
    "{{crossings}} ${window.ran = 1} %s",
    "<a href='javascript:window.ran = 1'>click</a><b>bold</b><br>",
    "\u202egnp.reversed\u2066 \u200f\u061c",
    "x" * 10_000,
    "&lt;script&gt;window.ran = 1&lt;/script&gt;",
    "]]>\u2028\u2029\x00\x1b[31m",
]


def test_texts_from_a_log_stay_texts(browser: webdriver.Chrome, tmp_path: Path) -> None:
    time = np.arange(200) / 10
    hot = 40 + time * 3
    columns = {channel("battery_current", "A"): hot}
    for number, text in enumerate(HOSTILE):
        columns[replace(channel("motor_temperature", "°C", number + 1), label=text)] = hot
        columns[replace(channel("thing", text), name=text)] = hot
    everything = " ".join(HOSTILE)
    ride = make_ride(
        make_stream(everything, time, columns),
        board_name=everything,
        firmware=everything,
        note=everything,
        source=everything,
        settings={text: text for text in HOSTILE},
        warnings=tuple(HOSTILE),
        events=tuple(RideEvent(3.0 + n, EventKind.FAULT, 9, n, t) for n, t in enumerate(HOSTILE)),
        marks=tuple(RideMark(4.0 + n, n, t) for n, t in enumerate(HOSTILE)),
    )
    names = ["".join(c for c in t if c.isprintable())[:20] + str(n) for n, t in enumerate(HOSTILE)]
    parts = "".join(
        f"[[connectors]]\nname = {json.dumps(name, ensure_ascii=False)}\nrated_current = 50\n"
        for name in names
    )
    board = read_board_file(f'name = "b"\n{parts}', "board")
    page = tmp_path / "hostile.html"
    write_page(ride, page, board)
    requests(browser)
    open_page(browser, page)
    assert browser.execute_script("return typeof window.ran") == "undefined"
    assert console_errors(browser) == []
    assert [url for url in requests(browser) if not url.startswith(("file:", "data:"))] == []
    shown = browser.execute_script("return document.querySelector('h1').textContent")
    assert shown == everything.replace("\x00", "\ufffd")
    chips = browser.execute_script(
        "return [...document.querySelectorAll('.chip span')].map((e) => e.textContent)"
    )
    limits = browser.execute_script(
        "return [...document.querySelectorAll('.limits li')].map((e) => e.textContent)"
    )
    events = browser.execute_script(
        "return [...document.querySelectorAll('.sign')].map((e) => e.getAttribute('aria-label'))"
    )
    for text, name in zip(HOSTILE, names, strict=True):
        assert f"motor temperature {text}" in chips
        assert any(name in limit for limit in limits)
        assert sum(event.endswith(text) for event in events) >= 2
    assert browser.execute_script("return document.documentElement.scrollWidth") <= 1400
    assert not browser.find_elements(By.CSS_SELECTOR, "img, b b, a[href^=javascript]")
    # Every sign says its text when pointed at, as text.
    browser.execute_script(
        "for (const sign of document.querySelectorAll('.sign'))"
        " sign.dispatchEvent(new Event('focus'))"
    )
    assert browser.execute_script("return typeof window.ran") == "undefined"
    # The same texts in a notebook's figure: plotly must show its few tags as text too.
    assert not any("<" in trace.name for trace in figure(ride, board).data)


def test_the_policy_allows_only_our_script(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', text)
    assert policy is not None
    rules = dict(rule.split(" ", 1) for rule in policy[1].split("; "))
    assert rules["default-src"] == "'none'"
    assert "unsafe-eval" not in policy[1] and "http" not in policy[1]
    scripts = re.findall(r"<script>(.*?)</script>", text, re.DOTALL)
    hashes = [
        f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'"
        for s in scripts
    ]
    assert rules["script-src"].split() == hashes
    assert len(hashes) == 1
    # Between the policy and the end no other element could run or load anything.
    assert text.index("Content-Security-Policy") < text.index("<style>")


def test_the_policy_stops_a_script_that_got_in_anyway(
    browser: webdriver.Chrome, page: Path, tmp_path: Path
) -> None:
    spoilt = tmp_path / "spoilt.html"
    text = page.read_text(encoding="utf-8")
    spoilt.write_text(text.replace("<main>", "<main><script>window.ran = 1</script>", 1))
    open_page(browser, spoilt)
    assert browser.execute_script("return typeof window.ran") == "undefined"
    assert any("Content Security Policy" in e["message"] for e in console_errors(browser))
