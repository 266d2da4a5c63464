"""Answers as cards, their pictures, and crossings told as episodes."""

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
import pytest

from sagline_analyser.findings.limits.crossings import find_crossings
from sagline_analyser.findings.limits.episodes import APART, Kind, find_episodes
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.findings.telling.answer import Answer, Urgency
from sagline_analyser.findings.telling.picture import Bar, Bars, Row, Shares, Steps
from sagline_analyser.page.card_picture import draw
from sagline_analyser.page.cards import WORDS, cards, headline
from sagline_logger.format import Limit
from support.rides import channel, make_ride, make_stream

BASE = Answer("one", "Is it?", "It is so. And more.")


def test_cards_are_ordered_by_urgency_and_the_quiet_ones_fold() -> None:
    answers = [
        replace(BASE, key="quiet", urgency=Urgency.FINE, headline="All fine"),
        replace(BASE, key="look", urgency=Urgency.LOOK, headline="Look here"),
        replace(BASE, key="lacking", urgency=Urgency.UNKNOWN, verdict="Cannot tell: needs speed."),
        replace(BASE, key="act", urgency=Urgency.ACT, headline="Act now"),
    ]
    page = cards(answers)
    assert re.findall('id="answer-([a-z]+)"', page) == ["act", "look", "quiet", "lacking"]
    open_part, folded = page.split("<details class=rest>")
    assert "Act now" in open_part and "Look here" in open_part
    assert "All fine" in folded and "1 fine" in folded and "1 cannot tell" in folded
    assert page.count("class=caution") == 1


def test_a_line_has_at_most_fourteen_words() -> None:
    long = replace(BASE, verdict=" ".join(f"word{n}" for n in range(30)))
    assert len(headline(long).split()) == WORDS
    assert headline(BASE) == "It is so"
    assert headline(replace(BASE, headline="Own words")) == "Own words"


@dataclass(frozen=True)
class Dial:
    """A kind of picture that has no drawing of its own."""

    value: float

    @property
    def rows(self) -> tuple[Row, ...]:
        return (
            Row("given <back>", self.value / 100, f"{self.value:g} %", odd=True),
            Row("of 9 km", None),
        )


def test_a_picture_without_a_drawing_of_its_own_is_drawn_by_its_rows() -> None:
    page = str(cards([replace(BASE, picture=Dial(25.0), headline="Back")]))
    drawn = re.search(r"<svg class=sketch.*?</svg>", page, re.DOTALL)
    assert drawn is not None and 'aria-label="given &lt;back&gt; 25 %; of 9 km"' in drawn[0]
    ((width,),) = [re.findall(r'<rect class="pole odd" .*? width="([\d.]+)"', drawn[0])]
    assert float(width) == pytest.approx(0.25 * (320 - 132 - 62), abs=0.1)
    assert "given &lt;back&gt;" in str(replace(BASE, picture=Dial(25.0))._repr_html_())


@pytest.mark.parametrize(
    "picture",
    [
        Bars("%", (Bar("lead <b>", 60, 55, 65), Bar("fuse", 110, odd=True)), 100, "rating"),
        Bars("V", tuple(Bar(f"cell {n}", 3.0 + n / 10, odd=n == 3) for n in range(1, 15)), 3.2),
        Shares((("duty ceiling", 0.6), ("heat", 0.4))),
        Steps(((-1.5, "cell below 3 V"), (0.0, "fault 3"), (12.0, "back"))),
        Steps(()),
        Bars("%", (Bar("none", 0.0),)),
    ],
)
def test_pictures_are_sound_and_say_their_figures(picture: object) -> None:
    drawn = str(draw(picture))  # type: ignore[arg-type]
    if not drawn:
        assert isinstance(picture, Steps) and not picture.moments
        return
    attributes = re.sub(r"=([a-z]+)([ />])", r'="\1"\2', drawn)
    root = ElementTree.fromstring(attributes)
    words = root.get("aria-label") or ""
    if isinstance(picture, Bars):
        assert all(bar.label in words for bar in picture.bars)
        heights = [float(r.get("height") or 0) for r in root.iter("rect")]
        widths = [float(r.get("width") or 0) for r in root.iter("rect")]
        sizes = heights if len(picture.bars) > 7 else widths
        shown = [size / max(sizes, default=1) for size in sizes] if max(sizes) else sizes
        top = max(bar.value for bar in picture.bars) or 1
        assert shown == pytest.approx([bar.value / top for bar in picture.bars], abs=0.01)
    if isinstance(picture, Shares):
        assert (
            sum(float(r.get("width") or 0) for r in root.iter("rect") if r.get("y") == "4.0") > 310
        )


def test_crossings_of_one_moment_are_one_episode() -> None:
    time = np.arange(0, 100, 0.1)
    current = np.zeros(1000)
    speed = np.full(1000, 5.0)
    current[100:150], current[400:700], current[800:820] = 60.0, 60.0, -40.0
    speed[:110] = 0.0
    columns = {channel("battery_current", "A"): current, channel("speed", "m/s"): speed}
    ride = make_ride(make_stream("one", time, columns))

    def limit(value: float, kind: Literal["limit", "setting"], part: str) -> Limit:
        way: Literal["above", "below"] = "above" if value > 0 else "below"
        return Limit("battery_current", 0, way, value, "A", kind, part, f"{part}: {value} A")

    limits = (
        limit(50.0, "limit", "fuse"),
        limit(40.0, "limit", "lead"),
        limit(-30.0, "limit", "cells"),
        limit(55.0, "setting", "controller"),
    )
    found = find_episodes(Gathered(ride), find_crossings(ride, limits))
    assert [one.kind for one in found] == [Kind.LAUNCH, Kind.LONG_PULL, Kind.BRAKING]
    assert [len(one.passed) for one in found] == [2, 2, 1]
    assert [p.worst.threshold.limit.part for p in found[0].passed] == ["lead", "fuse"]
    assert found[0].passed[0].beyond == pytest.approx(0.5)
    assert all(b.start - a.end > APART for a, b in pairwise(found))
