"""The page of trends in a real browser."""

from dataclasses import replace

import pytest

from sagline_analyser.rides.library import LibraryEntry
from sagline_analyser.rides.ride_figures import RideFigures
from sagline_analyser.rides.trends import write_trends
from sagline_logger.format import CAUTION
from support.accessible import all_violations
from support.browser import console_errors, emulate, open_page, requests

HOSTILE = "</script><script>alert(1)</script><b onclick=x>&"


@pytest.fixture(scope="module")
def page(known, tmp_path_factory):
    path = tmp_path_factory.mktemp("trends") / "trends.html"
    hostile = RideFigures(
        board=HOSTILE,
        note=HOSTILE,
        settings=((HOSTILE, HOSTILE),),
        started=1e300,
        faults=((0, HOSTILE, 1),),
    )
    odd = [
        LibraryEntry("odd.sagline", hostile),
        LibraryEntry(f"{HOSTILE}.sagline", RideFigures(problem=f"{HOSTILE} is no log")),
    ]
    other = [
        LibraryEntry(e.path, replace(e.figures, board="Petrel", battery_temperature=21.0))
        for e in known.rides[:3]
    ]
    write_trends([*known.rides, *other, *odd], path, HOSTILE)
    return path


def test_all_is_drawn_and_nothing_is_fetched(page, known, browser):
    open_page(browser, page)
    for width in (1400, 390):
        emulate(browser, width, 1000)
        assert browser.execute_script(
            "return document.documentElement.scrollWidth <= window.innerWidth"
        )
        heights = browser.execute_script(
            "return [...document.querySelectorAll('.trend')].map(p => p.offsetHeight)"
        )
        assert heights == [280] * 6, "no chart may lie on the next"
    counts = browser.execute_script(
        "return [...document.querySelectorAll('.trend')].map(p => p.data.map(t => t.y.length))"
    )
    # Boards by number of rides: four cells, balance and consumption; the odd one has none.
    assert counts == [[8] * 4, [8], [8], [3] * 4, [3], [3]]
    drawn = browser.execute_script(
        "return [...document.querySelectorAll('.trend')].map("
        "p => p.querySelectorAll('.scatterlayer .points path').length)"
    )
    assert drawn == [32, 8, 8, 12, 3, 3]
    ohms = browser.execute_script("return document.querySelector('.trend').data[2].y")
    assert ohms == pytest.approx(
        [1e3 * e.figures.packs[-1].cells[2].resistance for e in known.rides]
    )
    text = browser.execute_script("return document.body.innerText")
    assert CAUTION in text and HOSTILE in text and "pack at" not in text
    assert [r for r in requests(browser) if not r.startswith(("file:", "data:"))] == []
    assert console_errors(browser) == []
    assert all_violations(browser, page) == {}
    bars = browser.execute_script("return document.querySelectorAll('.still rect').length")
    assert bars == sum(e.figures.distance is not None for e in known.rides) + 3


def test_one_ride_stands_in_its_day(known, tmp_path, browser):
    path = tmp_path / "one.html"
    only = known.rides[0]
    faulty = replace(only, figures=replace(only.figures, board="Petrel", faults=((3, "", 2),)))
    write_trends([only, faulty], path, "rides")
    open_page(browser, path)
    spans = browser.execute_script(
        "return [...document.querySelectorAll('.trend')].map("
        "p => p.layout.xaxis.range.map(d => Date.parse(d.replace(' ', 'T'))))"
    )
    assert len(spans) == 6
    assert all(last - first == 24 * 3600e3 for first, last in spans)
    text = browser.execute_script("return document.body.innerText")
    assert "Faults in the only ride" in text
    assert console_errors(browser) == []
