"""Ten persons' questions, each answered from the demo's first screen or with one action.

The questions were written down before the page was changed for them.  ``before`` counts the
scrolls by a screen of 900 px and the clicks that the page of 3,700 open words took for the same
answer (None: the page could not tell); docs/reading_a_report.md keeps the table.
"""

import re
from dataclasses import dataclass
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By

from support.browser import anew, console_errors, emulate, open_page, wait_drawn


@dataclass(frozen=True)
class Question:
    """``click`` is what to touch first ("" for nothing), ``place`` where the answer then stands."""

    words: str
    before: int | None
    place: str
    answer: str
    click: str = ""


WHY = " details > summary"

QUESTIONS = (
    Question("Which cell is the weak one?", 1, "#answer-cells h3", r"Cell 7\b"),
    Question(
        "Was the right motor too hot, when, for how long?",
        7,
        "#answer-heat h3",
        r"right was above 80 °C for \d+ s, from \d+:\d\d",
    ),
    Question(
        "Did the pack end, or a cell?",
        1,
        "#answer-low_cell ul",
        r"cell 7 read \d.\d+ V at \d+ A: sag",
        f"#answer-low_cell{WHY}",
    ),
    Question(
        "How far would a 12 Ah pack go?",
        None,
        "#answer-pack_range ul",
        r"at least:.*12 Ah \d+\.\d km",
        f"#answer-pack_range{WHY}",
    ),
    Question("How far can I still ride?", 1, "#answer-pack_range h3", r"At least \d+\.\d km left"),
    Question(
        "Why did it not give more when I asked for more?",
        0,
        "#answer-held_back h3",
        r"duty ceiling decided \d+%",
    ),
    Question(
        "Which part is too small for this?",
        0,
        "#answer-parts h3",
        r"Main connector works at 1\d\d% of its rating",
    ),
    Question(
        "What came first when it cut out?",
        0,
        "#answer-fault h3",
        r"Fault at \d+:\d\d: lowest cell below 3 V since \d+:\d\d",
    ),
    Question(
        "Did braking overcharge the pack?",
        1,
        "#answer-full_pack h3",
        r"charged harder than cells allow|above full",
    ),
    Question(
        "What did everything read at the moment of the fault, and where was that?",
        12,
        "#readout",
        r"At 9:.*battery current.*\d A.*cell 7.*\d\.\d+ V.*speed",
        ".pin path",
    ),
)


@pytest.fixture
def first_screen(one_browser: webdriver.Chrome, demo_page: Path) -> webdriver.Chrome:
    """The page as it opens; it is opened anew only where something was touched."""
    if one_browser.execute_script("return window.untouched") != str(demo_page):
        anew(one_browser)
        emulate(one_browser, 1400, 900)
        open_page(one_browser, demo_page)
        one_browser.execute_script("window.untouched = arguments[0]", str(demo_page))
    return one_browser


@pytest.mark.parametrize("question", QUESTIONS, ids=[q.words for q in QUESTIONS])
def test_a_question_is_answered_with_one_action_at_most(
    first_screen: webdriver.Chrome, question: Question
) -> None:
    browser = first_screen
    if question.click:
        browser.execute_script("delete window.untouched")
        browser.find_element(By.CSS_SELECTOR, question.click).click()
        browser.execute_async_script("setTimeout(arguments[0], 300)")
        wait_drawn(browser)
    place = browser.find_element(By.CSS_SELECTOR, question.place)
    assert place.is_displayed()
    told = place.text or browser.execute_script(
        "return [...arguments[0].querySelectorAll('text')].map((t) => t.textContent).join(' ')",
        place,
    )
    words = " ".join(told.split())
    assert re.search(question.answer, words), words
    top = browser.execute_script("return arguments[0].getBoundingClientRect().top", place)
    assert 0 <= top < 900, "it stands outside the screen"
    assert console_errors(browser) == []


def test_the_moment_of_a_pin_is_shown_on_the_course(
    browser: webdriver.Chrome, demo_page: Path
) -> None:
    open_page(browser, demo_page)
    browser.find_element(By.CSS_SELECTOR, ".pin path").click()
    wait_drawn(browser)
    here = browser.find_element(By.ID, "course-here")
    assert here.is_displayed()
    assert 0 < browser.execute_script("return arguments[0].getBoundingClientRect().top", here) < 900


def test_nothing_moves_while_the_cursor_slides_over_the_demo(
    browser: webdriver.Chrome, demo_page: Path
) -> None:
    open_page(browser, demo_page)
    browser.execute_script("document.getElementById('groups').scrollIntoView()")
    browser.execute_script("setCursor(1, true)")
    browser.execute_async_script("setTimeout(arguments[0], 300)")
    shift = browser.execute_async_script(
        """
        const done = arguments[0];
        let shift = 0;
        new PerformanceObserver((list) => {
          for (const entry of list.getEntries()) shift += entry.value;
        }).observe({ type: "layout-shift" });
        let t = 2;
        const slide = () => {
          setCursor(t, true);
          t += 7;
          if (t < spec.duration) requestAnimationFrame(slide);
          else setTimeout(() => done(shift), 300);
        };
        slide();
        """
    )
    assert shift == 0
