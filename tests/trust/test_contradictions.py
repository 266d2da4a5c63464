"""The checker of contradicting answers finds each pair put in; a small part of the bench."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from sagline_analyser.findings.answers import answers
from sagline_analyser.findings.telling.answer import Answer, Figure, Urgency
from support.faults import BOARD, Script, fault
from trust.contradictions import FAMILIES, contradictions, rides

Page = dict[str, Answer]


@pytest.fixture(scope="module")
def page() -> Page:
    """The answers of a ride with a fault while one cell was pulled low."""
    script = Script(3.68)
    script.ohms[2] *= 3.5
    script.cut()
    return {one.key: one for one in answers(script.ride(events=fault("drive cut")), BOARD)}


def test_the_page_itself_holds_none(page: Page) -> None:
    assert contradictions(tuple(page.values())) == []
    assert "only sag under load" in page["low_cell"].verdict


def swap(key: str, old: str, new: str) -> Callable[[Page], Page]:
    def put(page: Page) -> Page:
        one = page[key]
        details = tuple(line.replace(old, new) for line in one.details)
        changed = replace(one, verdict=one.verdict.replace(old, new), details=details)
        assert changed != one, f"{old!r} is not said"
        return {**page, key: changed}

    return put


def add(
    key: str, *lines: str, verdict: str | None = None, **figures: float
) -> Callable[[Page], Page]:
    def put(page: Page) -> Page:
        one = page[key]
        named = {name.replace("_", " "): value for name, value in figures.items()}
        kept = [f for f in one.figures if f.label not in named]
        more = [Figure(name, value, "", 0.0) for name, value in named.items()]
        return {
            **page,
            key: replace(
                one,
                verdict=one.verdict if verdict is None else verdict,
                details=(*one.details, *lines),
                figures=(*kept, *more),
            ),
        }

    return put


def both(one: Callable[[Page], Page], other: Callable[[Page], Page]) -> Callable[[Page], Page]:
    return lambda page: other(one(page))


SAG = "sag under load: a weak cell or a high resistance"
EMPTY = "an empty cell or pack: low-voltage cut-back or cut-off"
CELL = "cell 3"
WARMS = (
    "Motor: with 40 A (chosen) 19 in 20 such parts stay below 90 °C for {} from cold, and for an "
    "hour from the end of this ride; about 80 °C (60 to {} °C) in an hour from cold; the model."
)
SMALL = "is a small one: it holds 12 ± 3 % less charge than the others, so it is empty first."
PUT: list[tuple[int, Callable[[Page], Page]]] = [
    (1, swap("fault", f"Likely: {SAG}", f"Possible: {EMPTY}")),
    (2, swap("fault", f"Likely: {SAG}", f"Likely: {EMPTY}")),
    (3, swap("fault", "would rest at 3.7", "would rest at 3.5")),
    (4, swap("cells", CELL, "cell 5")),
    (5, add("cells", **{"cell 3, step": 0.1, "cell 3, after 10 s": 0.1})),
    (
        6,
        both(
            swap("low_cell", "sag, for it", "empty, for it"),
            add("low_cell", **{"cell 3 at 54.2 s, at rest": 3.0}),
        ),
    ),
    (
        7,
        both(
            swap("low_cell", "sag, for it", "empty, for it"),
            add("pack_range", **{"range left, at least": 4.0}),
        ),
    ),
    (
        8,
        add(
            "held_back",
            verdict="A higher motor-current setting would not have mattered.",
            Held_back_by_something_this_log_does_not_show=30.0,
        ),
    ),
    (
        9,
        add(
            "held_back",
            "The stated duty limit of 0.94 shows: held at 0.94 for 3.0 s.",
            "The stated duty limit of 0.94 may not have been in force: held at 0.8 for 2.0 s.",
        ),
    ),
    (10, add("held_back", Held_back_by_heat=60.0, Held_back_by_the_duty_ceiling=55.0)),
    (11, add("consumption", drawn_from_the_pack=100.0, given_back_by_braking=3.0)),
    (
        12,
        add(
            "consumption",
            drawn_from_the_pack=100.0,
            given_back_by_braking=3.0,
            share_given_back=28.0,
        ),
    ),
    (13, add("pack_range", state_of_charge_at_the_end=112.0)),
    (14, swap("fault", f"Likely: {SAG}", "Likely: the rider let go or braked")),
    (
        15,
        both(
            swap("fault", f"Likely: {SAG}", "Likely: wheel slip, or a belt or chain lost"),
            add("fault", "Likely: a fault of a rotor or speed sensor. For it: x. Against it: y."),
        ),
    ),
    (16, add("fault", "Possible: the controller stopped by itself. For it: x. Against it: y.")),
    (17, swap("fault", SAG, "over-voltage from braking into a full pack")),
    (18, add("heat", verdict="No part reaches its limit within an hour. Not judged: motor 2.")),
    (19, add("sides", share=1.0)),
    (20, add("parts", share=float("nan"))),
    (21, add("heat", WARMS.format("20 min at least, and most likely for an hour,", 94))),
    (21, add("heat", WARMS.format("20 min (likely 30 min; 9 in 10 take 20 min to 50 min)", 86))),
    (22, add("cells", verdict="No cell stands out: median step 4.1 mΩ.")),
    (
        23,
        both(
            add("cells", verdict=f"Yes. Cell 5 {SMALL}"),
            add("pack_range", verdict="It goes 9 km further, until cell 3, the first to end, is"),
        ),
    ),
]


def test_every_pair_is_found_when_it_is_put_in(page: Page) -> None:
    assert [number for number, _ in PUT] == [*range(1, 22), 21, 22, 23]
    base = page | {"full_pack": replace(page["full_pack"], verdict="No: braking stayed within.")}
    for number, put in PUT:
        if number == 14:
            base = swap("fault", "fault 9 “drive cut”", "it fell while the throttle stayed")(base)
        if number == 19:
            base = base | {"sides": replace(base["sides"], urgency=Urgency.UNKNOWN)}
        found = {one for one, _ in contradictions(tuple(put(base).values()))}
        assert number in found, number


def test_answers_of_ten_rides_hold_together() -> None:
    cheap = ("Ohm's law",) * 8 + ("sensors, sound and broken", "limits")
    made = list(rides(10, 1, cheap))
    assert {name for name, *_ in made} == set(cheap) <= set(FAMILIES)
    for name, number, ride, board in made:
        assert contradictions(answers(ride, board)) == [], (name, number)
