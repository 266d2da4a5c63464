"""Stated settings against what a direct-current machine under other limits shows."""

import numpy as np
import pytest

from sagline_analyser.findings.held_back import held_back_answer
from sagline_analyser.findings.settings_in_force import Shows, setting_words, settings_in_force
from sagline_logger.format import Channel, SampleType, read_board_file
from support.rides import make_ride, make_stream
from support.textbook_launch import textbook_launch


def launch(settings: dict[str, str], throttle: float = 1.0, **more: np.ndarray):
    """The launch under 40 A of motor current, 18 A of battery current and 94 % duty."""
    time, columns, _ = textbook_launch(throttle)
    for name, value in more.items():
        columns[Channel(name, "A", SampleType.F32, index=1)] = np.broadcast_to(value, len(time))
    return make_ride(make_stream("fast", time, columns), settings=settings)


def verdicts(ride, board=None, **span: float) -> dict[str, tuple[Shows, float | None]]:
    return {one.name: (one.verdict, one.seen) for one in settings_in_force(ride, board, **span)}


def test_settings_that_the_ride_shows() -> None:
    found = settings_in_force(
        launch({"motor_current_limit": "40", "battery_current_limit": "18", "duty_limit": "0.94"}),
        None,
    )
    assert [one.verdict for one in found] == [Shows.YES] * 3
    assert [one.seen for one in found] == pytest.approx([40, 18, 0.94], rel=0.01)
    assert all(one.spans and "shows: held at" in one.text for one in found)


@pytest.mark.parametrize("stated", [44, 54, 36, 43])
def test_a_setting_off_the_level_seen_is_told_with_both_figures(stated: float) -> None:
    board = read_board_file(f'name = "b"\n[settings]\nmotor_current_limit = {stated}\n', "b")
    ride = launch({})
    (one,) = settings_in_force(ride, board)
    assert one.verdict is Shows.NO and one.seen == pytest.approx(40, rel=0.01)
    assert f"{stated} A" in one.text and "held at 40" in one.text
    assert one.spans and 2 <= one.spans[0][0] < one.spans[0][1] <= 8
    answer = held_back_answer(ride, board)
    assert one.text in answer.verdict, "a contradicted setting is told before all else"


def test_a_setting_never_reached_is_not_judged() -> None:
    found = verdicts(launch({"motor_current_limit": "40"}, throttle=0.4))
    assert found["motor_current_limit"][0] is Shows.UNTOLD
    later = verdicts(launch({"motor_current_limit": "40"}), start=15.0, end=25.0)
    assert later["motor_current_limit"][0] is Shows.UNTOLD


def test_the_limit_that_the_board_reports_decides() -> None:
    ride = launch({"motor_current_limit": "54"}, motor_current_limit=np.float64(40))
    (one,) = settings_in_force(ride, None)
    assert (one.verdict, one.seen, one.reported) == (Shows.NO, 40.0, True)
    same = launch({"motor_current_limit": "40"}, motor_current_limit=np.float64(40))
    assert settings_in_force(same, None)[0].verdict is Shows.YES


@pytest.mark.parametrize("top", [39.0, 40.0, 42.0])
def test_a_duty_that_another_limit_carries_contradicts_no_duty_limit(top: float) -> None:
    """At such a back-EMF the battery limit binds (18 A × 48 V); the duty cycle then stays between
    0.84 and 0.90 because the speed does, below the 0.94 that nothing came near."""
    time, columns, _ = textbook_launch(top=top)
    ride = make_ride(
        make_stream("fast", time, columns),
        settings={"duty_limit": "0.95", "battery_current_limit": "18"},
    )
    found = {one.name: one for one in settings_in_force(ride, None)}
    assert found["battery_current_limit"].verdict is Shows.YES
    assert found["duty_limit"].verdict is Shows.UNTOLD
    wrong = launch({"duty_limit": "0.86", "battery_current_limit": "18"})
    assert verdicts(wrong)["duty_limit"] == (Shows.NO, pytest.approx(0.94, rel=0.01))


def test_nothing_stated_or_nothing_measured() -> None:
    assert settings_in_force(launch({}), None) == ()
    assert settings_in_force(make_ride(settings={"motor_current_limit": "40"}), None) == ()
    words = setting_words(settings_in_force(launch({"battery_current_limit": "30"}), None))
    assert len(words) == 1 and "held at 18" in words[0]
