"""No sum over a ride is told of which too little was recorded, by any command; and of which less
than all was, each says so (``analyser/sagline_analyser/findings/readings/coverage.py``)."""

import html
import json
import math
import re
from pathlib import Path

import pytest

from sagline_analyser import load_ride
from sagline_analyser.cli import main
from sagline_analyser.findings.answers import answers
from sagline_analyser.findings.readings.course import find_heights
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.findings.readings.summary import summarise
from sagline_analyser.rides.ride_figures import figures_of
from sagline_logger import phone
from sagline_logger.live.glance import numbers
from support.channels import STANDARD
from support.known_part import ride_known_for

CURRENT = ("battery_current", "controller_battery_current")
VOLTAGE = ("pack_voltage",)
SPEED = ("speed", "motor_speed", "motor_electrical_speed")
PLACE = ("latitude", "longitude", "altitude")
NUMBER = r"\d[\d.,]*[  ]?"
SUMS = {
    CURRENT: rf"{NUMBER}(?:Ah|Wh|Wh/km)\b",
    VOLTAGE: rf"{NUMBER}(?:Wh|Wh/km)\b",
    SPEED: rf"{NUMBER}(?:Wh/km|km|m)\b(?!/h| of way)",
    PLACE: r"the road rose",
}
"""How a sum over what is hidden would look in any text."""
PHONE = Path(phone.__file__).parent / "page"
RULES = ("100 m",)
"""What a sum needs, and no sum."""
PARTS = pytest.mark.parametrize("hidden", SUMS, ids=lambda names: names[0])


@pytest.fixture
def log(tmp_path: Path, request: pytest.FixtureRequest, hidden: tuple[str, ...]) -> Path:
    path = tmp_path / "ride.sagline"
    path.write_bytes(ride_known_for(request.param, hidden))
    return path


def _told(capsys: pytest.CaptureFixture[str], *words: object) -> str:
    assert main([*map(str, words)]) == 0
    return capsys.readouterr().out


def _texts_of_page(page: Path) -> str:
    text = page.read_text(encoding="utf-8")
    text = re.sub(r"(?s)<(script|style|svg)\b.*?</\1>", " ", text)
    return html.unescape(re.sub(r"<[^>]+>", " ", text))


def _looks_like(sums: str, text: str) -> list[str]:
    return [found for found in re.findall(sums, text) if found not in RULES]


@PARTS
@pytest.mark.parametrize("log", [0.02], indirect=True)
def test_a_ride_of_which_2_percent_is_known_tells_no_sum_anywhere(hidden, log, capsys, tmp_path):
    """As text, long and short, as JSON, in the report, in the list of rides and its index, and in
    what is shared."""
    page, shared, index = (tmp_path / name for name in ("page.html", "shared.html", "list.html"))
    texts = [
        _told(capsys, "summary", log),
        _told(capsys, "summary", "--full", log),
        _told(capsys, "rides", tmp_path),
        _told(capsys, "rides", tmp_path, "-o", index),
    ]
    assert main(["plot", str(log), "-o", str(page)]) == 0
    assert main(["share", str(log), "--at", "60", "-o", str(shared)]) == 0
    texts += [_texts_of_page(one) for one in (page, shared, index)]
    capsys.readouterr()
    for text in texts:
        assert text.strip()
        assert _looks_like(SUMS[hidden], text) == []
    told = json.loads(_told(capsys, "summary", "--json", log))
    units = {CURRENT: ("Ah", "Wh", "Wh/km"), VOLTAGE: ("Wh", "Wh/km"), SPEED: ("m", "km", "Wh/km")}
    for figure in [*told["findings"], *(f for a in told["answers"] for f in a["figures"])]:
        assert figure["unit"] not in units.get(hidden, ()) or figure["value"] is None, figure
    figures = figures_of(str(log))
    assert (figures.energy is None) == (hidden in (CURRENT, VOLTAGE))
    assert (figures.distance is None) == (hidden == SPEED)
    assert (figures.per_km is None) == (hidden != PLACE)
    assert all((pack.charge is None) == (hidden == CURRENT) for pack in figures.packs)
    assert all(not pack.rests for pack in figures.packs) == (hidden == CURRENT)
    assert (find_heights(Gathered(load_ride(log))) is None) == (hidden in (SPEED, PLACE))


@PARTS
@pytest.mark.parametrize("log", [0.8], indirect=True)
def test_a_ride_of_which_a_part_is_known_says_which_share_beside_every_sum(hidden, log, capsys):
    known = "known for (?:79|80) % of the ride"
    ride = load_ride(log)
    for finding in summarise(ride):
        mine = {
            CURRENT: finding.unit in ("Ah", "Wh", "Wh/km"),
            VOLTAGE: finding.unit in ("Wh", "Wh/km"),
            SPEED: finding.key in ("distance", "moving_time", "energy_per_distance"),
            PLACE: False,
        }[hidden]
        assert bool(re.search(known, finding.note)) == mine, finding
        if mine:
            assert finding.covered == pytest.approx(0.8, abs=0.01)
    sums = [f for a in answers(ride) for f in a.figures if f.unit in ("Ah", "Wh", "Wh/km")]
    assert len(sums) > 4
    for figure in sums:
        mine = {
            CURRENT: True,
            VOLTAGE: figure.unit != "Ah" or bool(re.search(known, figure.how)),
            SPEED: figure.unit == "Wh/km",
            PLACE: False,
        }[hidden]
        assert bool(re.search(known, figure.how)) == mine, figure
    page = log.with_name("list.html")
    assert main(["rides", str(log.parent), "-o", str(page)]) == 0
    capsys.readouterr()
    share = re.escape("sums over ") + "(?:79|80) % of the ride"
    told = 0 if hidden == PLACE else 2  # on the card of consumption, and in the table
    assert len(re.findall(share, _texts_of_page(page))) == told
    written = page.read_text(encoding="utf-8")
    assert bool(re.search(rf"<title>[^<]*{share}", written)) == bool(told)  # of a ride in the strip
    assert bool(re.search(rf'consumption [^"]*{share}', written)) == bool(
        told
    )  # at its point in the trend
    figures = figures_of(str(log))
    assert (figures.covered < 0.81) == (hidden != PLACE)
    assert ("sums over" in figures.quality) == (hidden != PLACE)
    if hidden == PLACE:
        told = " ".join(d for a in answers(ride) for d in a.details)
        assert re.search(rf"By the altitude \({known}\) the road rose", told)
    else:
        assert re.search(known, _told(capsys, "summary", log))


def test_the_screen_and_the_telephone_tell_moments_and_no_sum():
    """Whatever a board sends of all that has a name: every number is that of one moment."""
    told = numbers(dict.fromkeys(STANDARD, 1.0), STANDARD)
    assert len(told) == 9 and not any(math.isnan(one.value) for one in told[:4])
    assert not {one.unit for one in told} & {"Ah", "Wh", "Wh/km", "km", "m"}
    for name in ("index.html", "phone.js"):
        text = (PHONE / name).read_text(encoding="utf-8")
        assert text and not re.search(rf"{SUMS[CURRENT]}|{SUMS[SPEED]}|∫|integra", text)
