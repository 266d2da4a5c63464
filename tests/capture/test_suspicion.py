"""What is said about a link that is open but not right, and what is not said too early."""

from sagline_logger.capture.source import Advice
from sagline_logger.capture.suspicion import suspicions

ADVICE = Advice("is the board on?", "wrong speed?")


def said(elapsed: float, received: int, frames: int, described: bool) -> str:
    return " ".join(suspicions(elapsed, received, frames, described, "serial x at 9600", ADVICE))


def test_each_state_gets_its_line_and_a_good_one_none() -> None:
    assert "nothing arrives from serial x at 9600; is the board on?" in said(3.1, 0, 0, False)
    assert "none of them make a frame; wrong speed?" in said(3.1, 500, 0, False)
    assert "has not described its channels" in said(10.1, 500, 9, False)
    assert said(10.1, 500, 9, True) == ""


def test_nothing_is_said_before_it_is_due() -> None:
    assert said(2.9, 0, 0, False) == said(2.9, 500, 0, False) == said(9.9, 500, 9, False) == ""
