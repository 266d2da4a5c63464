"""No command writes over a log, an archive or anybody else's file, and a failure leaves no half."""

import gzip
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from sagline_analyser.cli import main as analyser
from sagline_logger.cli import main as logger
from sagline_logger.format import SaglineError, output
from support.doc_rides import make_directory, write_map
from support.small_disk import small_disk

COMMANDS = {
    "plot": "plot kestrel.sagline -o {out}",
    "compare": "compare trial/a1.sagline trial/b1.sagline -o {out}",
    "compare --json": "compare trial/a1.sagline trial/b1.sagline --json -o {out}",
    "rides": "rides trial -o {out}",
    "share": "share kestrel.sagline --at 0:30 -o {out}",
    "archive": "archive kestrel.sagline -o {out}",
    "import": "import ride.csv --map map.toml -o {out}",
    "export": "export trial/a1.sagline --to csv --channel speed -o {out}",
    "board": "board --new {out}",
    "simulate": "simulate --stdout --speed 0 --seconds 0.1 --truth {out}",
}
LOGGER = ("board", "simulate")
VICTIMS = ("log", "archive", "notes", "link", "empty")


@pytest.fixture(scope="module")
def rides(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("rides")
    make_directory(directory)
    write_map(directory)
    return directory


@pytest.fixture
def here(rides: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.chdir(rides)
    yield rides


def run(name: str, out: Path) -> int:
    words = COMMANDS[name].format(out=out).split()
    return (logger if name in LOGGER else analyser)(words)


def victim(kind: str, place: Path, log: Path) -> tuple[Path, Path]:
    """Make a file that must live on; return the name a command is given, and the file itself."""
    kept = place / "precious"
    if kind in ("log", "link"):
        kept.write_bytes(log.read_bytes()[:20_000])
    elif kind == "archive":
        kept.write_bytes(gzip.compress(log.read_bytes()[:20_000]))
    else:
        kept.write_text("what I saw: the lights went out first\n" if kind == "notes" else "")
    if kind != "link":
        return kept, kept
    name = place / "page.html"
    name.symlink_to(kept)
    return name, kept


@pytest.mark.parametrize("kind", VICTIMS)
@pytest.mark.parametrize("name", COMMANDS)
def test_what_is_there_is_refused_in_one_line(
    name: str, kind: str, here: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    out, kept = victim(kind, tmp_path, here / "kestrel.sagline")
    before = kept.read_bytes()
    files = sorted(tmp_path.iterdir())
    assert run(name, out) == 1
    said = capfd.readouterr().err.strip()
    assert "not overwritten" in said or name == "export", said
    assert len(said.splitlines()) == 1, said
    assert kept.read_bytes() == before
    assert sorted(tmp_path.iterdir()) == files


def test_an_empty_value_swallowed_by_the_shells_list_costs_no_ride(here: Path) -> None:
    logs = sorted((here / "trial").glob("*.sagline"))
    before = [log.read_bytes() for log in logs]
    for words in (["plot"], ["compare"], ["rides"], ["archive"], ["share"]):
        try:
            assert analyser([*words, "-o", *map(str, logs)]) != 0
        except SystemExit as end:
            assert end.code == 2
    assert [log.read_bytes() for log in logs] == before


@pytest.mark.parametrize("name", ["plot", "compare", "rides", "simulate"])
def test_a_command_renews_its_own_output_and_no_other_commands(
    name: str, here: Path, tmp_path: Path
) -> None:
    out = tmp_path / "page.html"
    assert run(name, out) == 0
    first = out.read_bytes()
    assert run(name, out) == 0
    assert len(first) == len(out.read_bytes())
    assert list(tmp_path.iterdir()) == [out]
    others = [other for other in ("plot", "compare", "rides", "simulate") if other != name]
    assert [run(other, out) for other in others] == [1, 1, 1]
    through = tmp_path / "link.html"
    through.symlink_to(out)
    assert run(name, through) == 0 and through.is_symlink()


def test_a_shared_page_is_a_log_and_is_never_replaced(here: Path, tmp_path: Path) -> None:
    page = tmp_path / "fault.html"
    assert run("share", page) == 0
    before = page.read_bytes()
    assert [run(name, page) for name in ("share", "plot", "compare", "rides")] == [1, 1, 1, 1]
    assert page.read_bytes() == before


def test_a_full_disk_leaves_the_page_that_was_there(here: Path, tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", "12m") as disk:
        page = disk / "page.html"
        assert run("plot", page) == 0
        before = page.read_bytes()
        (disk / "ballast").write_bytes(bytes((12 << 20) - 3 * len(before) // 2))
        assert run("plot", page) == 1
        assert page.read_bytes() == before
        assert sorted(path.name for path in disk.iterdir()) == ["ballast", "page.html"]


@pytest.mark.parametrize("device", ["/dev/null", "/dev/full"])
def test_a_device_is_written_straight(device: str, here: Path) -> None:
    before = Path(device).stat()
    assert run("plot", Path(device)) == (device == "/dev/full")
    assert Path(device).stat().st_rdev == before.st_rdev


def test_a_command_that_is_stopped_leaves_nothing(tmp_path: Path, here: Path) -> None:
    code = (
        "import os, signal, sys; from pathlib import Path; from sagline_logger.format import *;\n"
        "from sagline_logger.format.program import run_program\n"
        "def act():\n"
        "    with output(Path(sys.argv[1])) as file:\n"
        "        file.write(b'half'); file.flush()\n"
        "        os.kill(os.getpid(), signal.{name})\n"
        "sys.exit(run_program('test', act))"
    )
    for name, status in (("SIGINT", 130), ("SIGTERM", 143), ("SIGHUP", 129)):
        done = subprocess.run([sys.executable, "-c", code.replace("{name}", name), tmp_path / "x"])
        assert done.returncode == status
        assert list(tmp_path.iterdir()) == []


def test_a_file_that_comes_meanwhile_is_not_replaced(tmp_path: Path) -> None:
    place = tmp_path / "out"
    with pytest.raises(SaglineError, match="not overwritten"), output(place) as file:
        file.write(b"ours")
        place.write_text("theirs")
    assert place.read_text() == "theirs"
    assert list(tmp_path.iterdir()) == [place]
