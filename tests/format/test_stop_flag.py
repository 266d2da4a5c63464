"""Stopping by a flag that a signal's handler sets in the midst of a wait."""

import sys
import threading
import time

import pytest

from sagline_logger.format.stop_flag import StopFlag


def set_within_a_wait(flag, nth):
    """Set ``flag`` where its wait begins the ``nth`` line; return whether there is such a line.

    Python runs a signal's handler between two instructions of whatever the main thread is doing; a
    trace function runs at such places too, in the same thread and on top of the same frames.
    """
    lines = 0

    def trace(frame, event, argument):
        nonlocal lines
        if event == "line":
            lines += 1
            if lines == nth:
                sys.settrace(None)
                flag.set()
        return trace

    def wait():
        sys.settrace(trace)
        flag.wait(0.05)
        sys.settrace(None)

    waiting = threading.Thread(target=wait, daemon=True)
    waiting.start()
    waiting.join(2.0)
    if waiting.is_alive():
        raise TimeoutError(f"the wait hangs where it is interrupted at its line {nth}")
    return lines >= nth


def places_of(make):
    """Interrupt a wait of what ``make`` returns at each of its lines; return how many there are."""
    nth = 1
    while set_within_a_wait(flag := make(), nth):
        assert flag.is_set() and flag.wait(0.0)
        nth += 1
    return nth - 1


def test_a_handler_may_set_it_at_any_line_of_a_wait():
    assert places_of(StopFlag) >= 4


def test_the_check_finds_what_hangs_with_an_event():
    # Source: the standard library's own event, whose lock its wait holds.
    with pytest.raises(TimeoutError, match="hangs"):
        places_of(threading.Event)


def test_it_wakes_all_who_wait_at_once():
    flag = StopFlag()
    woken = []
    waiting = [threading.Thread(target=lambda: woken.append(flag.wait(20.0))) for _ in range(3)]
    began = time.monotonic()
    for one in waiting:
        one.start()
    flag.set()
    for one in waiting:
        one.join()
    assert woken == [True] * 3
    assert time.monotonic() - began < 10.0


def test_a_wait_ends_by_itself_and_says_that_nothing_was_said():
    flag = StopFlag()
    assert not flag.wait(0.0)
    assert not flag.wait(0.01)
    assert flag.is_set() is False
