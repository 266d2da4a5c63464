"""What people install: the wheel and the sdist, built here, in fresh environments with the base
dependencies, the extras, and the oldest of both that ``pyproject.toml`` allows."""

import os
import re
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
OLDEST = PROJECT["requires-python"].removeprefix(">=")
PIP = (sys.executable, "-m", "pip", "--disable-pip-version-check")
PYENV = Path.home() / ".pyenv" / "versions"
"""Where other Pythons may be; where there are none only this one is tried, and the ids say so."""


def run(*words: object, **more: object) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if not k.startswith("PYTHON")}
    return subprocess.run(
        list(map(str, words)),
        capture_output=True,
        text=True,
        timeout=300,
        env=environment,
        **more,  # type: ignore[call-overload]
    )


def done(*words: object) -> str:
    result = run(*words)
    assert result.returncode == 0, f"{words}\n{result.stdout}{result.stderr}"
    return result.stdout


def pythons() -> dict[str, Path]:
    """Return interpreters by minor version: this one, and others that the project allows."""
    found = {f"{sys.version_info.major}.{sys.version_info.minor}": Path(sys.executable)}
    for place in sorted(PYENV.glob("3.*/bin/python3")):
        minor = ".".join(place.parts[-3].split(".")[:2])
        if tuple(map(int, minor.split("."))) >= tuple(map(int, OLDEST.split("."))):
            found.setdefault(minor, place)
    return found


ALL = bool(os.environ.get("SAGLINE_INSTALL_ALL"))
"""Whether to try every Python and the newest versions too, which takes ten minutes."""
PYTHONS = pythons() if ALL else dict(list(pythons().items())[:1])
AGES = ("oldest", "newest") if ALL else ("oldest",)  # the newest are what the tests run on


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Build both from a copy of what git holds, and return (wheel, sdist)."""
    folder = tmp_path_factory.mktemp("dist")
    source = folder / "source"
    source.mkdir()
    listed = done("git", "-C", ROOT, "ls-files", "-z").split("\0")
    for name in filter(None, listed):
        if (ROOT / name).is_file():  # not one that is just being removed
            (source / name).parent.mkdir(parents=True, exist_ok=True)
            (source / name).write_bytes((ROOT / name).read_bytes())
    code = (
        "import os, sys; from hatchling import build; os.chdir(sys.argv[1]); "
        "build.build_sdist(sys.argv[2]); build.build_wheel(sys.argv[2])"
    )
    done(sys.executable, "-c", code, source, folder)
    (wheel,), (sdist,) = folder.glob("*.whl"), folder.glob("*.tar.gz")
    return wheel, sdist


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory, built: tuple[Path, Path]):
    """Give a function that installs requirements into a fresh environment; returns its programs."""
    made: dict[tuple[str, ...], Path] = {}

    def make(python: str, *requirements: str, extras: str = "", source: bool = False) -> Path:
        key = (python, extras, str(source), *requirements)
        if key not in made:
            folder = tmp_path_factory.mktemp("environment") / "it"
            done(PYTHONS[python], "-m", "venv", "--without-pip", folder)
            package = f"{built[source]}{f'[{extras}]' if extras else ''}"
            done(
                *PIP,
                "--python",
                folder / "bin" / "python",
                "install",
                "-q",
                "--no-input",
                "--no-compile",
                package,
                *requirements,
            )
            made[key] = folder / "bin"
        return made[key]

    return make


def test_both_hold_every_file_that_is_not_python(built: tuple[Path, Path]) -> None:
    """A page or a table that git or the build ignores is missed only by those who install."""
    wheel, sdist = built
    packed = set(zipfile.ZipFile(wheel).namelist())
    with tarfile.open(sdist) as archive:
        listed = {name.partition("/")[2] for name in archive.getnames()}
    for room in ("logger/sagline_logger", "analyser/sagline_analyser"):
        for path in (ROOT / room).rglob("*"):
            if path.is_file() and "__pycache__" not in path.parts:
                assert str(path.relative_to((ROOT / room).parent)) in packed, path
                assert str(path.relative_to(ROOT)) in listed, path
    assert "sagline_logger/format/vocabulary.toml" in packed
    assert "protocol_docs/vocabulary.toml" in listed
    assert not [name for name in packed if name.startswith(("tests", "docs"))]


def capture(programs: Path, folder: Path) -> Path:
    """Make bytes of a ride with the installed programs and return them as a log."""
    log = folder / "ride.sagline"
    ride = [programs / "sagline-logger", "simulate", "--stdout", "--speed", "0", "--seconds", "40"]
    with log.open("wb") as file:
        assert subprocess.run(list(map(str, ride)), stdout=file, timeout=120).returncode == 0
    return log


@pytest.mark.parametrize(
    ("python", "source"),
    [*((python, False) for python in PYTHONS), (next(iter(PYTHONS)), True)],
    ids=lambda value: value if isinstance(value, str) else "sdist" if value else "wheel",
)
def test_the_base_install_records_and_says_what_the_analyser_needs(
    python: str, source: bool, environment, tmp_path: Path
) -> None:
    programs = environment(python, source=source)
    listed = done(*PIP, "--python", programs / "python", "list", "--format=freeze")
    names = {line.partition("==")[0].lower() for line in listed.split()}
    assert {"pyserial", "bleak"} <= names
    assert not names & {"numpy", "pandas", "plotly", "shtab"}
    assert len(PROJECT["dependencies"]) == 2
    for words in (["--help"], ["record", "--help"], ["--completion", "bash"]):
        assert "--version" in done(programs / "sagline-logger", *words) or words[0] == "record"
    log = capture(programs, tmp_path)
    assert "Nothing lost up to where it was cut." in done(
        programs / "sagline-logger", "verify", log
    )
    assert "pack_voltage" in done(programs / "sagline-logger", "channels", log)
    done(programs / "sagline-logger", "board", "--new", tmp_path / "board.toml")
    assert PROJECT["version"] in done(programs / "sagline-logger", "--version")
    for words in (["sagline-demo"], ["sagline-analyser", "summary", log]):
        told = run(programs / words[0], *words[1:])
        assert (told.returncode, told.stdout) == (1, "")
        (line,) = told.stderr.splitlines()
        assert 'pip install "sagline[analyser]"' in line


def oldest(group: list[str]) -> list[str]:
    """Return the least version that each requirement allows."""
    found = [re.match(r"([\w-]+)>=([\d.]+)", one) for one in group]
    return [f"{one[1]}=={one[2]}.*" for one in found if one]


@pytest.mark.parametrize("age", AGES)
def test_the_extras_make_a_report(age: str, environment, tmp_path: Path) -> None:
    optional = PROJECT["optional-dependencies"]
    versions = list(PYTHONS)
    python = max(versions, key=lambda one: tuple(map(int, one.split("."))))
    pins: list[str] = []
    if age == "oldest":
        python = min(versions, key=lambda one: tuple(map(int, one.split("."))))
        pins = oldest([*PROJECT["dependencies"], *optional["analyser"], *optional["picture"]])
    programs = environment(python, *pins, extras="analyser,picture")
    log = capture(programs, tmp_path)
    summary = done(programs / "sagline-analyser", "summary", log)
    assert summary.startswith("Kestrel") and "Wh/km" in summary
    done(programs / "sagline-analyser", "plot", log, "-o", tmp_path / "ride.html")
    assert (tmp_path / "ride.html").stat().st_size > 100_000
    done(programs / "sagline-analyser", "export", log, "--to", "csv", "-o", tmp_path / "tables")
    assert list((tmp_path / "tables").glob("*.csv"))
    needed = run(
        programs / "sagline-analyser", "export", log, "--to", "parquet", "-o", tmp_path / "columns"
    )
    assert needed.returncode == 1
    (line,) = needed.stderr.splitlines()
    assert "pip install" in line and "parquet" in line
