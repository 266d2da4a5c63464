"""Every way a board file can be wrong, through the real command: one clear line, exit status 1."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sagline_logger.board import command
from sagline_logger.cli import main
from sagline_logger.format import BoardFile, SaglineError, read_board_file

UNIT = '[[battery.units]]\nname = "{}"\nseries = {}\nparallel = 2\n'

WRONG = {
    "no name": ("", 1, "the name is missing", 'begin with name = "Kestrel"'),
    "syntax": ('name = "K"\n[vehicle]\nx = = 3\n', 3, "not TOML", "double quotes"),
    "open string": ('name = "K', 1, "not TOML", "double quotes"),
    "unit in a number": ('name = "K"\n[vehicle]\ngearing = 80 kg\n', 3, "not TOML", "unit"),
    "twice": ('name = "K"\n\nname = "L"\n', 3, "stated twice", "keep one"),
    "nested": ('name = "K"\nx = ' + "[" * 30000, None, "nested too deeply", "board_file.md"),
    "long number": ('name = "K"\nx = ' + "1" * 9000, None, "too long", "board_file.md"),
    "misspelt": (
        'name = "K"\n[[motors]]\nrated_curent = 4\n',
        3,
        "motors.rated_curent is not a key",
        "did you mean rated_current?",
    ),
    "wrong place": (
        'name = "K"\nwheel_diameter = 0.5\n',
        2,
        "wheel_diameter is not",
        "under [vehicle]",
    ),
    "text for a number": (
        'name = "K"\n\n[[motors]]\ncount = 2\n# a comment\nrated_current = "forty"\n',
        6,
        'motors.rated_current must be a number above 0 and at most 5000 in A, not "forty"',
        "as in rated_current = 40",
    ),
    "truth for a number": ('name = "K"\n[vehicle]\ngearing = true\n', 3, "not true", "gearing"),
    "not finite": ('name = "K"\n[vehicle]\ngearing = inf\n', 3, "not inf", "gearing"),
    "not a number": ('name = "K"\n[vehicle]\ngearing = nan\n', 3, "not nan", "gearing"),
    "zero": ('name = "K"\n[vehicle]\ngearing = 0\n', 3, "must be a number above 0", "gearing"),
    "millimetres": (
        'name = "K"\n[vehicle]\nwheel_diameter = 508\n',
        3,
        "at most 3 in m, not 508",
        "diameter",
    ),
    "half a motor": ('name = "K"\n[[motors]]\ncount = 1.5\n', 3, "a whole number", "count = 2"),
    "date": ('name = "K"\n[vehicle]\ngearing = 1979-05-27\n', 3, "not 1979-05-27", "gearing"),
    "control character": (
        'name = "K"\n[[fuses]]\nname = "\\u001b[2J"\nrated_current = 4\n',
        3,
        'must be a text of 1 to 48 bytes of printable characters, not "\\x1b[2J"',
        "call it",
    ),
    "long name": (f'name = "{"é" * 25}"\n', 1, "1 to 48 bytes", "board's name"),
    "one bracket": ('name = "K"\n[motors]\ncount = 2\n', 2, "array of tables", "[[motors]]"),
    "two brackets": ('name = "K"\n[[battery]]\ncell_full = 4\n', 2, "a table", "[battery]"),
    "no rating": ('name = "K"\n\n[[fuses]]\nname = "f"\n', 3, "no rated_current", "add a line"),
    "choice": (
        'name = "K"\n[battery]\njoined = "both"\n',
        3,
        '"series" or "parallel", not "both"',
        "unit",
    ),
    "name twice": (
        'name = "K"\n[battery]\njoined = "series"\n' + UNIT.format("a", 6) + UNIT.format("a", 7),
        9,
        '"a" is used twice',
        "its own name",
    ),
    "not joined": (
        'name = "K"\n' + UNIT.format("a", 6) + UNIT.format("b", 7),
        2,
        "no joined",
        "parallel",
    ),
    "unequal in parallel": (
        'name = "K"\n[battery]\njoined = "parallel"\n' + UNIT.format("a", 6) + UNIT.format("b", 7),
        10,
        "battery.units.series differs",
        "unequal voltage",
    ),
    "rate without capacity": (
        'name = "K"\n' + UNIT.format("a", 6) + "max_charge_rate = 1\n",
        6,
        "needs the cell's capacity",
        "add cell_capacity",
    ),
    "rate and current": (
        'name = "K"\n'
        + UNIT.format("a", 6)
        + "cell_capacity = 3\nmax_charge_rate = 1\nmax_charge_current = 3\n",
        8,
        "stands beside max_charge_rate",
        "keep one",
    ),
    "voltages out of order": (
        'name = "K"\n[battery]\ncell_full = 4.2\ncell_stop = 4.3\n',
        4,
        "below cell_full",
        "4.2 V",
    ),
    "more controllers than motors": (
        'name = "K"\n[[motors]]\ncount = 2\n[[controllers]]\ncount = 3\n',
        4,
        "drive 3, but there are 2 motors",
        "count",
    ),
    "burst without seconds": (
        'name = "K"\n[[controllers]]\nburst_current = 9\n',
        3,
        "stands alone",
        "together",
    ),
    "burst too small": (
        'name = "K"\n[[controllers]]\nburst_current = 9\nburst_seconds = 2\n'
        "continuous_current = 10\n",
        3,
        "below continuous_current",
        "data sheet",
    ),
    "setting": (
        'name = "K"\n[settings]\nmode = 3\nduty_limit = 95\n',
        4,
        "at most 1, not 95",
        "0.95",
    ),
    "setting table": ('name = "K"\n[settings.a]\nb = 1\n', 2, "settings.a must be a number", ""),
    "cutback": (
        'name = "K"\n[settings]\nvoltage_cutback_start = 40\nvoltage_cutback_end = 41\n',
        3,
        "below voltage_cutback_end",
        "higher voltage",
    ),
}


def failure(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert main(arguments) == 1
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.count("\n") == 1, "one line"
    return shown.err.removesuffix("\n")


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_file_is_told_with_its_line(
    case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text, line, what, remedy = WRONG[case]
    path = tmp_path / "kestrel.toml"
    path.write_text(text)
    message = failure(["board", "--check", str(path)], capsys)
    place = f"{path}:{line}: " if line else f"{path}: "
    assert message.startswith(f"sagline-logger: {place}")
    assert what in message
    assert remedy in message.split("; ", 1)[1]


def test_bounds_lie_where_they_are_said_to_lie() -> None:
    def accepted(text: str) -> bool:
        try:
            return bool(read_board_file(f'name = "K"\n{text}', "k.toml"))
        except SaglineError:
            return False

    assert accepted("[vehicle]\ngearing = 1000")
    assert not accepted("[vehicle]\ngearing = 1000.1")
    assert accepted("[[motors]]\ncount = 1\npole_pairs = 200")
    assert not accepted("[[motors]]\ncount = 17")
    assert accepted("[battery]\ntemperature_limit = -49.9")
    assert not accepted("[battery]\ntemperature_limit = -50")
    assert accepted("[settings]\nregen_current_limit = 0")
    assert not accepted("[settings]\nregen_current_limit = -1")
    assert accepted("[settings]\nvoltage_cutback_start = 40\nvoltage_cutback_end = 40")
    equal = "burst_current = 9\ncontinuous_current = 9\nburst_seconds = 1"
    assert accepted(f"[[controllers]]\n{equal}")
    assert not accepted("[battery]\ncell_stop = 3\ncell_alarm = 3")


def test_windows_line_ends_and_byte_order_mark_count_alike() -> None:
    text = '\ufeffname = "K"\r\n\r\n[vehicle]\r\ngearing = 0\r\n'
    with pytest.raises(SaglineError, match=r"^k\.toml:4: vehicle\.gearing"):
        read_board_file(text, "k.toml")


@pytest.mark.parametrize(
    ("raw", "what"),
    [
        (b'name = "K"\n# gr\xfc\xdfe\n', ":2: the board file is not UTF-8"),
        (b'name = "K"\n' + b"#" * 65536, ": the board file is longer than 64 KiB"),
    ],
)
def test_bytes_that_are_no_board_file(
    raw: bytes, what: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "kestrel.toml"
    path.write_bytes(raw)
    assert f"{path}{what}" in failure(["board", "--check", str(path)], capsys)


def test_a_file_of_exactly_64_kib_is_read(tmp_path: Path) -> None:
    path = tmp_path / "kestrel.toml"
    path.write_bytes(b'name = "K"\n'.ljust(65536, b"#"))
    assert main(["board", "--check", str(path)]) == 0


def test_missing_file_and_directory(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    missing = failure(["board", "--check", str(tmp_path / "none.toml")], capsys)
    assert "cannot read the board file (No such file or directory); check the path" in missing
    assert "(Is a directory)" in failure(["board", "--check", str(tmp_path)], capsys)


def test_no_permission(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "kestrel.toml"
    path.write_text('name = "K"\n')
    path.chmod(0)
    tmp_path.chmod(0o755)
    assert command  # imported before rights are given up, since the checkout may be root's own
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        assert "(Permission denied)" in failure(["board", "--check", str(path)], capsys)
    finally:
        if root:
            os.seteuid(0)


def test_from_the_shell_there_is_no_traceback(tmp_path: Path) -> None:
    path = tmp_path / "kestrel.toml"
    path.write_text('name = "K"\n[motor]\n')
    program = [sys.executable, "-m", "sagline_logger.cli", "board"]
    done = subprocess.run([*program, "--check", str(path)], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == (
        f"sagline-logger: {path}:2: motor is not a key of a board file; did you mean motors?\n"
    )
    assert subprocess.run(program, capture_output=True).returncode == 2, "one task is needed"


TEMPLATE = Path(command.__file__).with_name("template.toml").read_text()
PLAIN = "\n".join(line.removeprefix("#") for line in TEMPLATE.splitlines() if line[:2] != "# ")


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, len(PLAIN)), st.integers(0, 4), st.text(max_size=4))),
    st.data(),
)
def test_no_text_leads_to_anything_but_a_board_or_a_plain_error(
    edits: list[tuple[int, int, str]], data: st.DataObject
) -> None:
    text = PLAIN
    for at, cut, new in edits:
        text = text[:at] + new + text[at + cut :]
    try:
        board = read_board_file(text, "k.toml")
    except SaglineError as problem:
        assert "\n" not in str(problem)
        assert str(problem).startswith("k.toml:")
    else:
        assert isinstance(board, BoardFile)


def test_everything_wrong_is_told_at_once_in_order_of_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "board.toml"
    file.write_text(
        'nmae = "Kestrel"\n'  # 1: unknown, and the name is missing
        "[vehicle]\ngearing = -3\n"  # 3
        '[[motors]]\nname = "left"\npole_pairs = 8.5\n'  # 6
        '[[motors]]\nname = "right"\nrated_curent = 38\n'  # 9
        '[settings]\nduty_limit = 7\nmode = "eco"\nmotor_current_limit = "much"\n'  # 11, 13
    )
    for words in (["board", "--check"], ["record", "--serial", "x", "--out", "y", "--board"]):
        assert main([*words, str(file)]) == 1
        out, errors = capsys.readouterr()
        assert out == ""
        lines = [int(n) for n in re.findall(r"board\.toml:(\d+): ", errors)]
        assert lines == sorted(lines) and len(lines) == len(errors.splitlines())
        assert set(lines) == {1, 3, 6, 9, 11, 13}
        assert errors.count("did you mean") == 2
        assert all("; " in line for line in errors.splitlines())  # each says what to do


def test_rules_between_keys_are_all_told_too() -> None:
    text = (
        'name = "K"\n[battery]\ncell_alarm = 4.0\ncell_full = 3.9\n'
        '[[fuses]]\nname = "a"\nrated_current = 1\n[[fuses]]\nname = "a"\nrated_current = 1\n'
        "[[controllers]]\nburst_current = 3\n"
    )
    with pytest.raises(SaglineError, match="cell_alarm") as found:
        read_board_file(text, "k.toml")
    assert [problem.where for problem in found.value.more] == ["k.toml:9", "k.toml:12"]


def test_a_file_of_an_earlier_version_reads_as_without_its_retired_keys() -> None:
    """protocol_docs/board_file.md, section 1: total_mass and winding_resistance are passed over."""
    now = 'name = "K"\n[vehicle]\ngearing = 5.2\n[[motors]]\npole_pairs = 8\n'
    then = now.replace("5.2", "5.2\ntotal_mass = 140").replace("8", "8\nwinding_resistance = 0.05")
    assert read_board_file(then, "k.toml") == read_board_file(now, "k.toml")
    elsewhere = now.replace("[vehicle]", "total_mass = 140\n[vehicle]")
    with pytest.raises(SaglineError, match="total_mass is not a key"):
        read_board_file(elsewhere, "k.toml")
