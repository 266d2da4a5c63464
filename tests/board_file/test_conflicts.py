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
        ({"alarm": 3.01}, "cell_alarm = 3.01 V is only 10 mV above cell_stop = 3 V"),
        ({"alarm": 3.95, "cut_start": 44, "cut_end": 40}, "nearer to a full cell (4.2 V) than to"),
        ({"cut_start": 60, "cut_end": 55}, "deliver nothing below 55 V, the full pack has 54.6 V"),
        ({"cut_start": 40, "cut_end": 28}, "drive on down to 28 V, far below the 39.0 V at which"),
        (
            {"rating": "60\nburst_current = 4500\nburst_seconds = 5"},
            "burst_current of the controllers = 4500 A is mo",
        ),
        (
            {"chemistry": "own", "stop": 1.5},
            "cell_stop = 1.5 V lies far below what a cell that is full at 4.2 V may see",
        ),
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


def of(text: str) -> BoardFile:
    return read_board_file('name = "k"\n' + text, "b")


UNIT = '[[battery.units]]\nname = "u"\nseries = 10\nparallel = 1\n'


@pytest.mark.parametrize(
    ("text", "sent", "voltage", "told"),
    [
        (
            UNIT,
            {"cell_voltage": 12},
            None,
            "The board file states 10 cells in series, the log has 12: is it the file of this "
            "pack? Its pack voltages, limits and answers do not hold here.",
        ),
        # No cell read, so the pack's voltage: from 0.8 of all cells at their stop voltage (2.0 V
        # where none is stated) to 1.05 of all full (4.5 V).
        (UNIT, {}, 16.0, ""),
        (
            UNIT,
            {},
            15.9,
            "The pack read up to 15.9 V, 1.59 V for each of the 10 cells in series that the board "
            "file states: is it the file of this pack?",
        ),
        (UNIT, None, 47.2, ""),
        (
            UNIT,
            None,
            47.3,
            "The pack read up to 47.3 V, 4.73 V for each of the 10 cells in series that the board "
            "file states: is it the file of this pack?",
        ),
        ("[battery]\ncell_full = 4\ncell_stop = 3\n" + UNIT, None, 42.0, ""),
        ("[battery]\ncell_full = 4\ncell_stop = 3\n" + UNIT, None, 24.0, ""),
        (
            "[battery]\ncell_full = 4\ncell_stop = 3\n" + UNIT,
            None,
            23.9,
            "The pack read up to 23.9 V, 2.39 V for each of the 10 cells in series that the board "
            "file states: is it the file of this pack?",
        ),
        (
            "[battery]\ncell_full = 4\ncell_stop = 3\n" + UNIT,
            None,
            42.1,
            "The pack read up to 42.1 V, 4.21 V for each of the 10 cells in series that the board "
            "file states: is it the file of this pack?",
        ),
        ("[battery]\ncell_full = 4\n", {"cell_voltage": 10}, 42.0, ""),
        (
            "[battery]\ncell_full = 4\n",
            {"cell_voltage": 10},
            42.1,
            "Cells read up to 4.21 V, the board file's full cell is 4 V: is it the file of this "
            "pack?",
        ),
        (
            "[[motors]]\n",
            {"motor_speed": 1, "motor_current": 2},
            None,
            "The board file states 1 motor, the log has 2 of motor_current.",
        ),
        (
            "[[motors]]\ncount = 3\n",
            {"motor_temperature": 1},
            None,
            "The board file states 3 motors, the log has 1 of motor_temperature.",
        ),
        ("[[motors]]\ncount = 2\n", {"motor_current": 2, "motor_speed": 1}, None, ""),
        (
            "[battery]\ncell_full = 4.2\n" + UNIT + "[[controllers]]\nmax_voltage = 41\n",
            None,
            None,
            "The full pack has 42.0 V (10 × 4.2 V), the controllers are rated for 41 V: never "
            "charge it full and connect it.",
        ),
        (
            "[battery]\ncell_full = 4.2\n" + UNIT + "[[controllers]]\nmax_voltage = 42\n",
            {},
            None,
            "",
        ),
        ("[battery]\ncell_full = 4.2\n[[controllers]]\nmax_voltage = 4\n", {}, None, ""),
        # Linden, Handbook of Batteries: iron phosphate from 2.0 to 3.65 V, and so on.
        (
            "[battery]\ncell_stop = 1.8\ncell_full = 4.2\n" + UNIT + 'chemistry = "LiFePO4"\n',
            None,
            None,
            "cell_stop = 1.8 V and cell_full = 4.2 V does not fit cells of iron phosphate (1.9 to "
            "3.8 V).",
        ),
        (
            "[battery]\ncell_full = 3.8\ncell_stop = 1.9\n" + UNIT + 'chemistry = "LFP"\n',
            None,
            None,
            "",
        ),
        (
            "[battery]\ncell_full = 3.85\n" + UNIT + 'chemistry = "Li-ion"\n',
            None,
            None,
            "cell_full = 3.85 V does not fit cells of lithium-ion (2.4 to 4.5 V).",
        ),
        ("[battery]\ncell_full = 3.9\n" + UNIT + 'chemistry = "NMC"\n', None, None, ""),
        (
            "[battery]\ncell_full = 3\n" + UNIT + 'chemistry = "Titanate"\n',
            None,
            None,
            "cell_full = 3 V does not fit cells of lithium titanate (1.4 to 2.95 V).",
        ),
        (
            "[battery]\ncell_alarm = 3.3\n" + UNIT + "[settings]\nvoltage_cutback_end = 34\n",
            None,
            None,
            "The alarm at 33.0 V (10 × 3.3 V) lies below the 34 V at which the controllers deliver "
            "nothing: it would never sound.",
        ),
        (
            "[battery]\ncell_alarm = 3.4\n" + UNIT + "[settings]\nvoltage_cutback_end = 34\n",
            None,
            None,
            "",
        ),
        ("[battery]\n" + UNIT + "[settings]\nvoltage_cutback_end = 34\n", None, None, ""),
        ("[battery]\ncell_alarm = 3.4\n" + UNIT, None, None, ""),
    ],
)
def test_each_conflict_is_one_sentence(text, sent, voltage, told):
    assert board_conflicts(of(text), sent, voltage) == ((told,) if told else ())


def test_conflicts_come_the_gravest_first():
    text = (
        "[battery]\ncell_full = 4.2\ncell_alarm = 3.3\n" + UNIT + 'chemistry = "LFP"\n[[motors]]\n'
        "[[controllers]]\nmax_voltage = 41\n[settings]\nvoltage_cutback_end = 34\n"
    )
    told = board_conflicts(of(text), {"cell_voltage": 9, "motor_current": 2}, 30.0)
    assert [one.split()[1] for one in told] == ["board", "board", "full", "=", "alarm"]
