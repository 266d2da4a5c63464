"""The Python surface, and files that are nearly logs."""

import ast
import os
from pathlib import Path

import pytest

import sagline_analyser as sa
from sagline_analyser.archive import archive
from sagline_analyser.cli import main
from sagline_analyser.findings.basis import examine
from sagline_analyser.share.choose import choose
from sagline_logger import __version__
from sagline_logger.format import SaglineError, open_log
from support.doc_rides import make_directory

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("rides")
    make_directory(directory)
    return directory / "kestrel.sagline"


def test_names_and_errors_say_what_there_is(log: Path) -> None:
    assert sa.SaglineError is SaglineError and sa.__version__ == __version__
    assert set(dir(sa)) == set(sa.__all__)
    with pytest.raises(AttributeError, match="did you mean load_ride"):
        _ = sa.load_rid
    ride = sa.load_ride(log)
    with pytest.raises(KeyError, match=r"no figure 'enrgy_net'; there are: .*energy_net"):
        _ = sa.summarise(ride)["enrgy_net"]
    assert list(sa.merge(ride, 1.0, keys="battery_current").columns) == ["battery_current"]


def test_answers_take_the_board_file_in_the_log_as_the_commands_do(log: Path) -> None:
    from sagline_analyser.load.opening import board_inside

    ride = sa.load_ride(log)
    board = board_inside(ride)
    assert board is not None
    assert sa.answers(ride) == sa.answers(ride, board) != sa.answers(ride, None)


def test_an_archive_with_something_after_it_reads_what_is_whole(log: Path, tmp_path: Path) -> None:
    packed = archive(log, tmp_path / "a.gz").path
    for rest in (b"\0" * 512, b"something else", b"\x1f"):
        longer = tmp_path / "longer.gz"
        longer.write_bytes(packed.read_bytes() + rest)
        with open_log(longer) as file:
            assert file.read() == log.read_bytes()


def test_a_pipe_or_a_device_is_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "pipe", Path("/dev/zero")):
        with pytest.raises(SaglineError, match="is a device or a pipe"):
            open_log(path)


def test_every_public_name_is_there_and_says_what_it_does() -> None:
    for name in set(sa.__all__) - {"__version__"}:
        assert (getattr(sa, name).__doc__ or "").strip(), name


def test_every_name_without_an_underscore_is_described_and_both_packages_are_typed() -> None:
    lacking = []
    for room in (ROOT / "logger" / "sagline_logger", ROOT / "analyser" / "sagline_analyser"):
        assert (room / "py.typed").exists()
        shown = room / "format" if room.name == "sagline_logger" else room
        for path in shown.rglob("*.py"):
            tree = ast.parse(path.read_text(encoding="utf-8"))
            inside = [
                m
                for c in tree.body
                if isinstance(c, ast.ClassDef) and c.name[0] != "_"
                for m in c.body
            ]
            lacking += [
                f"{path.relative_to(ROOT)}:{one.lineno}: {one.name}"
                for one in (*tree.body, *inside)
                if isinstance(one, ast.FunctionDef | ast.ClassDef)
                and not one.name.startswith("_")
                and not ast.get_docstring(one)
            ]
    assert lacking == []


def test_a_shared_page_from_python_is_the_commands(log: Path, tmp_path: Path) -> None:
    out = tmp_path / "by_command.html"
    assert main(["share", str(log), "--at", "5", "-o", str(out)]) == 0
    moment = choose(sa.load_ride(log), at=5.0)
    assert sa.share_page(examine(log), moment).page == out.read_bytes()
    with pytest.raises(SaglineError, match="nothing is called everything"):
        sa.share_page(examine(log), moment, keep=["everything"])
