"""``sagline-logger board``: the template, the printed limits, the documents, the demo's board."""

import re
from pathlib import Path

import pytest

from sagline_logger.board.command import write_template
from sagline_logger.cli import main
from sagline_logger.format import (
    CAUTION,
    BoardFile,
    derive_limits,
    load_board_file,
    read_board_file,
    settings_over_limits,
    vocabulary,
    weakest,
)
from sagline_logger.format.board_tables import SETTINGS
from sagline_logger.format.toml_tables import rules
from sagline_logger.simulator.kestrel import KESTREL
from support import board_doc
from support.protocol_files import TEMPLATE

DOCUMENT = Path(__file__).parents[2] / "protocol_docs" / "board_file.md"
DEMO = Path(__file__).parents[2] / "analyser" / "sagline_analyser" / "demo_board.toml"


def test_the_template_is_valid_and_never_overwrites(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mine.toml"
    assert main(["board", "--new", str(path)]) == 0
    assert f"board --check {path}" in capsys.readouterr().out
    assert main(["board", "--check", str(path)]) == 0
    shown = capsys.readouterr().out
    assert "No limit follows" in shown and CAUTION in shown

    path.write_text("kept")
    assert main(["board", "--new", str(path)]) == 1
    assert "there and is not overwritten; move it or choose another" in capsys.readouterr().err
    assert path.read_text() == "kept"
    assert main(["board", "--new", str(tmp_path / "no" / "mine.toml")]) == 1
    assert "cannot write (No such file or directory)" in capsys.readouterr().err


def test_the_template_with_every_line_filled_in_is_valid_and_shows_every_key(
    tmp_path: Path,
) -> None:
    write_template(tmp_path / "all.toml")
    text = (tmp_path / "all.toml").read_text()
    filled = re.sub(r"^#(?! |$)", "", text, flags=re.MULTILINE)
    board = read_board_file(filled, "all.toml")
    assert len(board.battery.units) == 2
    assert board.settings.keys() == SETTINGS.keys()
    keys = {key for table in (BoardFile, *board_doc.TABLES.values()) for key in rules(table)}
    shown = set(re.findall(r"^(\w+) = ", filled, re.MULTILINE))
    headers = set(re.findall(r"^\[+(?:battery\.)?(\w+)\]", filled, re.MULTILINE))
    assert keys == (shown - SETTINGS.keys()) | headers
    assert derive_limits(board)


def test_check_prints_every_limit_with_its_arithmetic_and_the_caution(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["board", "--check", str(DEMO)]) == 0
    shown = capsys.readouterr().out
    board, raw = load_board_file(DEMO)
    assert raw == DEMO.read_bytes()
    limits = derive_limits(board)
    for limit in limits:
        assert re.search(rf"^{limit.channel}\b", shown, re.MULTILINE)
        assert limit.arithmetic in shown
    for name in ("battery_current", "pack_voltage", "cell_voltage"):
        for limit in weakest(limits, name):
            marked = rf"^ > {limit.kind} .*{re.escape(limit.arithmetic)}$"
            assert re.search(marked, shown, re.MULTILINE)
    for setting, limit in settings_over_limits(limits):
        assert f"{setting.arithmetic}  passes  {limit.arithmetic}" in shown
    assert "π × 0.508 m × 1000 / (60 × 5.2) = 5.12 m/s = 18.4 km/h" in shown
    assert shown.endswith(CAUTION + "\n")


def test_check_says_what_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "part.toml"
    path.write_text(
        'name = "part"\n[[fuses]]\nname = "f"\nrated_current = 30\n'
        "[settings]\nmotor_curent_limit = 3\n"
    )
    assert main(["board", "--check", str(path)]) == 0
    shown = capsys.readouterr().out
    assert "rated current and temperature limit of the motors" in shown
    assert "  a fuse\n" not in shown
    assert "did you mean motor_current_limit?" in shown


def test_the_document_holds_every_key_as_the_code_has_it() -> None:
    text = DOCUMENT.read_text()
    for name, table in board_doc.TABLES.items():
        for header in name.split(", "):
            assert f"`{header}`" in text
        for row in board_doc.rows(table):
            assert row in text
    for row in [*board_doc.rows(BoardFile), *board_doc.setting_rows()]:
        assert row in text


def test_the_documents_examples_are_true() -> None:
    text = DOCUMENT.read_text()
    examples = [
        read_board_file(part, "doc") for part in re.findall(r"```toml\n(.*?)```", text, re.S)
    ]
    assert [board.name for board in examples] == ["Handcart", "Heron"]
    limits = derive_limits(examples[1])
    assert weakest(limits, "battery_current")[0].part == "connector 'main connector'"
    values = {
        limit.part: limit.value
        for limit in limits
        if limit.channel == "battery_current" and limit.direction == "above"
    }
    assert values["fuse 'main fuse'"] == 100
    assert values["battery unit 'left'"] == pytest.approx(168)
    wrong = "\n" * 11 + '[[motors]]\ncount = 1\nrated_current = "forty"\n'
    with pytest.raises(Exception) as problem:
        read_board_file('name = "K"' + wrong, "my_board.toml")
    assert str(problem.value) in text


def test_the_demos_board_file_describes_the_simulated_board() -> None:
    board, _ = load_board_file(DEMO)
    assert board.name == KESTREL.name
    assert board.battery.cells == KESTREL.pack.series
    assert board.battery.units[0].capacity == pytest.approx(KESTREL.pack.capacity)
    drives = KESTREL.drives
    assert [motor.pole_pairs for motor in board.motors] == [d.motor.pole_pairs for d in drives]
    assert board.vehicle.gearing == drives[0].wheel.gear_ratio
    assert board.vehicle.wheel_diameter == drives[0].wheel.diameter
    limits = drives[0].controller.limits
    assert board.settings["motor_current_limit"] == limits.motor_current
    assert board.settings["brake_current_limit"] == limits.brake_current
    assert board.settings["battery_current_limit"] == limits.battery_current
    assert board.settings["regen_current_limit"] == limits.charge_current
    assert board.settings["duty_limit"] == limits.duty_ceiling
    assert {limit.channel for limit in derive_limits(board)} <= vocabulary().keys()


def test_a_key_that_the_template_lacks_gets_its_line_in_its_table() -> None:
    text = TEMPLATE.read_text(encoding="utf-8")
    line = "#pole_pairs = 7               # half the number of magnets\n"
    assert line in text and board_doc.template(text) == text
    filled = board_doc.template(text.replace(line, ""))
    made = "#pole_pairs = 14              # pole pairs (half the magnets)\n"
    assert made in filled.partition("#[[motors]]")[2].partition("#[[controllers]]")[0]
    assert filled.replace(made, "") == text.replace(line, "")
