"""A board file that contradicts itself, or what the board sends."""

import pytest

from sagline_logger.format import BoardFile, board_conflicts, read_board_file

TEXT = """
name = "Heron"
[battery]
cell_full = {full}
cell_alarm = {alarm}
cell_stop = {stop}
[[battery.units]]
name = "box"
series = {series}
parallel = 4
chemistry = "{chemistry}"
[[motors]]
count = 2
[[controllers]]
count = 2
max_voltage = {rating}
[settings]
voltage_cutback_start = {cut_start}
voltage_cutback_end = {cut_end}
"""


def board(**changed: object) -> BoardFile:
    usual: dict[str, object] = {
        "full": 4.2,
        "alarm": 3.3,
        "stop": 3.0,
        "series": 13,
        "chemistry": "NMC",
        "rating": 60,
        "cut_start": 40,
        "cut_end": 36,
    }
    return read_board_file(TEXT.format(**{**usual, **changed}), "board.toml")


def test_a_sound_file_has_none():
    sent = {"cell_voltage": 13, "motor_current": 2, "motor_temperature": 1}
    assert board_conflicts(board(), sent, 53.0) == ()
    assert board_conflicts(board()) == ()


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"rating": 50}, "full pack has 54.6 V (13 × 4.2 V), the controllers are rated for 50 V"),
        ({"chemistry": "LiFePO4"}, "cell_full = 4.2 V does not fit cells of iron phosphate"),
        ({"full": 3.65, "alarm": 3.0, "stop": 2.5}, "cell_full = 3.65 V does not fit cells of lit"),
        ({"cut_start": 48, "cut_end": 46}, "alarm at 42.9 V (13 × 3.3 V) lies below the 46 V"),
    ],
)
def test_a_file_that_contradicts_itself(changed, words):
    found = board_conflicts(board(**changed))
    assert len(found) == 1
    assert words in found[0]


@pytest.mark.parametrize(
    ("sent", "voltage", "words"),
    [
        ({"cell_voltage": 12}, None, "states 13 cells in series, the log has 12"),
        ({"motor_current": 1, "motor_speed": 1}, None, "states 2 motors, the log has 1"),
        ({}, 84.0, "The pack read up to 84.0 V, 6.46 V for each of the 13 cells"),
        ({"cell_voltage": 13}, 60.0, "Cells read up to 4.62 V, the board file's full cell is"),
    ],
)
def test_a_file_of_another_vehicle(sent, voltage, words):
    found = board_conflicts(board(), sent, voltage)
    assert len(found) == 1
    assert words in found[0]
