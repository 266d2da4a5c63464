"""Times from the start in words: tenths and seconds carry into minutes and hours."""

import pytest

from sagline_analyser.findings.faults.answer import story_lines
from sagline_analyser.findings.faults.order import what_came_first
from sagline_analyser.findings.telling.moment import minute_text, moment_text
from support.faults import BOARD, Script


@pytest.mark.parametrize(
    ("seconds", "tenths", "whole"),
    [
        (0.0, "0:00.0", "0:00"),
        (9.96, "0:10.0", "0:10"),
        (59.94, "0:59.9", "1:00"),
        (599.97, "10:00.0", "10:00"),
        (3599.97, "1:00:00.0", "60:00"),
        (3723.44, "1:02:03.4", "62:03"),
    ],
)
def test_no_minute_has_sixty_seconds(seconds: float, tenths: str, whole: str) -> None:
    assert (moment_text(seconds), minute_text(seconds)) == (tenths, whole)


def test_a_fault_is_told_at_such_a_time() -> None:
    story = what_came_first(Script().ride(), BOARD, 599.97)
    assert story.text.startswith("At 10:00.0, ")
    assert story_lines(story)[0].startswith("At 10:00.0, ")
