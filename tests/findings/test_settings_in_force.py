"""Stated settings against what a direct-current machine under other limits shows."""

import numpy as np
import pytest

from sagline_analyser.findings.drive.held_back import held_back_answer
from sagline_analyser.findings.drive.settings_in_force import (
    Shows,
    setting_words,
    settings_in_force,
)
from sagline_analyser.findings.readings.gathered import Gathered
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
    return {
        one.name: (one.verdict, one.seen)
        for one in settings_in_force(Gathered(ride, board), **span)
    }


def test_settings_that_the_ride_shows() -> None:
    found = settings_in_force(
        Gathered(
            launch(
                {"motor_current_limit": "40", "battery_current_limit": "18", "duty_limit": "0.94"}
            )
        ),
    )
    assert [one.verdict for one in found] == [Shows.YES] * 3
    assert [one.seen for one in found] == pytest.approx([40, 18, 0.94], rel=0.01)
    assert all(one.spans and "shows: held at" in one.text for one in found)


@pytest.mark.parametrize("stated", [44, 54, 36, 43])
def test_a_setting_off_the_level_seen_is_told_with_both_figures(stated: float) -> None:
    board = read_board_file(f'name = "b"\n[settings]\nmotor_current_limit = {stated}\n', "b")
    ride = launch({})
    (one,) = settings_in_force(Gathered(ride, board))
    assert one.verdict is Shows.NO and one.seen == pytest.approx(40, rel=0.01)
    assert f"{stated} A" in one.text and "held at 40" in one.text
    assert one.spans and 2 <= one.spans[0][0] < one.spans[0][1] <= 8
    answer = held_back_answer(Gathered(ride, board))
    assert one.text in answer.verdict, "a contradicted setting is told before all else"


@pytest.mark.parametrize(("share", "most", "verdict"), [(0.94, 40, "untold"), (1, 36, "no")])
def test_a_motor_that_is_asked_for_less_is_not_held_lower(share, most, verdict) -> None:
    """Two motors at two thirds of their current and at all of it, by turns: the second carries less
    throughout, or as much until a limit of its own."""
    time = np.arange(0, 120, 0.05)
    throttle = np.where(time % 20 < 8, 2 / 3, np.where(time % 20 < 16, 1.0, 0.0))
    throttle = np.convolve(throttle, np.ones(10) / 10, "same")
    noise = np.random.default_rng(1).normal(0, 0.1, (2, len(time)))
    columns = {
        Channel("throttle", "1", SampleType.F32): throttle,
        Channel("motor_current", "A", SampleType.F32, index=1): 40 * throttle + noise[0],
        Channel("motor_current", "A", SampleType.F32, index=2): np.minimum(
            40 * share * throttle, most
        )
        + noise[1],
        Channel("speed", "m/s", SampleType.F32): 5 * throttle,
    }
    ride = make_ride(make_stream("fast", time, columns), settings={"motor_current_limit": "40"})
    first, second = settings_in_force(Gathered(ride))
    assert first.verdict is Shows.YES
    assert second.verdict is (Shows.UNTOLD if verdict == "untold" else Shows.NO)
    assert ("motor 2 carried 94% of the current of motor 1" in second.text) is (verdict == "untold")


def without(ride, *names: str):
    stream = ride.streams["fast"]
    columns = {
        at: stream.values[key] for key, at in stream.channels.items() if at.name not in names
    }
    return make_ride(make_stream("fast", stream.time, columns), settings=dict(ride.settings))


@pytest.mark.parametrize("stated", [54, 40])
def test_without_a_duty_cycle_the_speed_shows_that_a_limit_held(stated: float) -> None:
    ride = without(launch({"motor_current_limit": str(stated)}), "duty_cycle")
    assert verdicts(ride)["motor_current_limit"] == (
        Shows.YES if stated == 40 else Shows.NO,
        pytest.approx(40, rel=0.01),
    )
    doubt = "; a stated setting may not have been in force"
    assert held_back_answer(Gathered(ride)).headline.endswith(doubt) == (stated == 54)


def test_without_a_throttle_a_held_current_contradicts_nothing() -> None:
    ride = without(launch({"motor_current_limit": "54"}), "throttle")
    assert verdicts(ride)["motor_current_limit"][0] is Shows.UNTOLD


def test_a_setting_never_reached_is_not_judged() -> None:
    found = verdicts(launch({"motor_current_limit": "40"}, throttle=0.4))
    assert found["motor_current_limit"][0] is Shows.UNTOLD
    later = verdicts(launch({"motor_current_limit": "40"}), start=15.0, end=25.0)
    assert later["motor_current_limit"][0] is Shows.UNTOLD


def test_the_limit_that_the_board_reports_decides() -> None:
    ride = launch({"motor_current_limit": "54"}, motor_current_limit=np.float64(40))
    (one,) = settings_in_force(Gathered(ride))
    assert (one.verdict, one.seen, one.reported) == (Shows.NO, 40.0, True)
    same = launch({"motor_current_limit": "40"}, motor_current_limit=np.float64(40))
    assert settings_in_force(Gathered(same))[0].verdict is Shows.YES


@pytest.mark.parametrize("top", [39.0, 40.0, 42.0])
def test_a_duty_that_another_limit_carries_contradicts_no_duty_limit(top: float) -> None:
    """At such a back-EMF the battery limit binds (18 A × 48 V); the duty cycle then stays between
    0.84 and 0.90 because the speed does, below the 0.94 that nothing came near."""
    time, columns, _ = textbook_launch(top=top)
    ride = make_ride(
        make_stream("fast", time, columns),
        settings={"duty_limit": "0.95", "battery_current_limit": "18"},
    )
    found = {one.name: one for one in settings_in_force(Gathered(ride))}
    assert found["battery_current_limit"].verdict is Shows.YES
    assert found["duty_limit"].verdict is Shows.UNTOLD
    wrong = launch({"duty_limit": "0.86", "battery_current_limit": "18"})
    assert verdicts(wrong)["duty_limit"] == (Shows.NO, pytest.approx(0.94, rel=0.01))


def test_nothing_stated_or_nothing_measured() -> None:
    assert settings_in_force(Gathered(launch({}))) == ()
    assert settings_in_force(Gathered(make_ride(settings={"motor_current_limit": "40"}))) == ()
    words = setting_words(settings_in_force(Gathered(launch({"battery_current_limit": "30"}))))
    assert len(words) == 1 and "held at 18" in words[0]


# ---- braking, regeneration, cut-back -------------------------------------------------------------


def braked(settings: dict[str, str], level: float = 25.0, brake: float = 1.0, held: float = 1e9):
    """Launches and stops of a machine that brakes with ``level`` A in its motor, or so much less
    that no more than ``held`` A go back to the pack (power is conserved; 5 % lost)."""
    time = np.arange(0, 60, 0.02)
    phase = time % 20
    drives = (phase > 2) & (phase < 8)
    stops = (phase >= 10) & (phase < 16)
    speed = np.interp(phase, [0, 2, 8, 10, 16, 20], [0, 0, 1, 1, 0.02, 0])
    duty = 0.9 * speed
    motor = np.where(drives, 30.0, 0.0)
    back = np.minimum(level * brake, held / np.maximum(0.95 * duty, 1e-6)) * (speed > 0.03)
    motor = np.where(stops, -back, motor)
    battery = motor * duty * np.where(motor < 0, 0.95, 1.03)
    columns = {
        Channel("throttle", "1", SampleType.F32): drives * 1.0,
        Channel("brake", "1", SampleType.F32): stops * brake,
        Channel("motor_current", "A", SampleType.F32, index=1): motor,
        Channel("duty_cycle", "1", SampleType.F32, index=1): duty,
        Channel("battery_current", "A", SampleType.F32): battery,
        Channel("pack_voltage", "V", SampleType.F32): 40 - 0.05 * battery,
        Channel("speed", "m/s", SampleType.F32): 10 * speed,
    }
    return make_ride(make_stream("fast", time, columns), settings=settings)


@pytest.mark.parametrize(("stated", "verdict"), [(25, Shows.YES), (18, Shows.NO), (40, Shows.NO)])
def test_the_braking_current_is_held_against_its_setting(stated: float, verdict: Shows) -> None:
    (one,) = settings_in_force(Gathered(braked({"brake_current_limit": str(stated)})))
    assert (one.verdict, one.seen) == (verdict, pytest.approx(25, rel=0.02))
    assert "of braking" in one.text and one.spans


def test_what_goes_back_to_the_pack_is_held_against_the_regeneration_limit() -> None:
    for stated, verdict in (("6", Shows.YES), ("4", Shows.NO)):
        (one,) = settings_in_force(Gathered(braked({"regen_current_limit": stated}, held=6.0)))
        assert (one.verdict, one.seen) == (verdict, pytest.approx(6, rel=0.03))


def test_a_brake_that_is_not_pressed_all_the_way_says_nothing_against_a_higher_limit() -> None:
    (one,) = settings_in_force(Gathered(braked({"brake_current_limit": "25"}, brake=0.5)))
    assert one.verdict is Shows.UNTOLD
    quiet = braked({"brake_current_limit": "25"}, level=0.0)
    (one,) = settings_in_force(Gathered(quiet))
    assert one.verdict is Shows.UNTOLD and "not tried" in one.text


def drained(obeys: bool, settings: dict[str, str]):
    """Full throttle while the pack sinks from 42 V to 36 V; from 40 V on the motor current goes
    down in a straight line to nothing at 36 V, if the controller ``obeys``."""
    time = np.arange(0, 80, 0.05)
    rest = np.interp(time, [0, 10, 80], [42, 42, 36.5])
    share = np.clip((rest - 36) / 4, 0, 1) if obeys else np.ones(len(time))
    driving = time % 20 > 3
    motor = np.where(driving, 40 * share, 0.0)
    columns = {
        Channel("throttle", "1", SampleType.F32): driving * 1.0,
        Channel("motor_current", "A", SampleType.F32, index=1): motor,
        Channel("duty_cycle", "1", SampleType.F32, index=1): np.where(driving, 0.6, 0.0),
        Channel("battery_current", "A", SampleType.F32): 0.6 * motor,
        Channel("pack_voltage", "V", SampleType.F32): rest,
    }
    return make_ride(make_stream("fast", time, columns), settings=settings)


def test_the_cut_back_shows_where_the_current_goes_down_with_the_voltage() -> None:
    stated = {"voltage_cutback_start": "40", "voltage_cutback_end": "36"}
    shown = verdicts(drained(True, stated))
    assert {shown[name][0] for name in stated} == {Shows.YES}
    ignored = settings_in_force(Gathered(drained(False, stated)))
    assert {one.verdict for one in ignored} == {Shows.NO}
    assert all("still flowed at" in one.text for one in ignored)
    high = {"voltage_cutback_start": "30", "voltage_cutback_end": "28"}
    assert {v for v, _ in verdicts(drained(False, high)).values()} == {Shows.UNTOLD}
    (half,) = settings_in_force(Gathered(drained(True, {"voltage_cutback_start": "40"})))
    assert half.verdict is Shows.UNTOLD and "cannot be checked" in half.text
