"""Help, version and completion are answered at once, with what the parsers would say."""

import fcntl
import os
import pty
import re
import shutil
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from sagline_logger import __version__
from support.texts import PROGRAMS, ROOT, SHELLS, made

SCRIPTS = {
    "sagline-logger": "sagline_logger",
    "sagline-analyser": "sagline_analyser",
    "sagline-demo": "sagline_analyser",
}


def shape(text: str) -> str:
    """Return a text as it has to be; Python breaks the lines of a usage otherwise since 3.13."""
    if sys.version_info < (3, 13):
        return text
    usage, gap, rest = text.partition("\n\n")
    return " ".join(usage.split()) + gap + rest


def test_every_text_is_what_the_parsers_say() -> None:
    texts = made()
    assert {file for folder in PROGRAMS for file in folder.iterdir()} == set(texts)
    for file, text in texts.items():
        kept = file.read_text(encoding="utf-8")
        assert shape(kept) == shape(text), f"{file.name}: run tests/support/texts.py"
    assert len(texts) > 20


def run(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    left = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "TERM")}
    return subprocess.run(
        words, capture_output=True, text=True, timeout=60, env={**left, **environment}
    )


def loaded(*words: str) -> tuple[str, set[str]]:
    """Return what a fresh interpreter prints, and the modules that it loads."""
    done = run(sys.executable, "-X", "importtime", *words)
    assert done.returncode == 0, done.stderr
    names = re.findall(r"^import time:.*\| +([\w.]+)$", done.stderr, re.M)
    return done.stdout, set(names)


@pytest.mark.parametrize("script", SCRIPTS)
def test_a_text_is_printed_before_anything_is_loaded(script: str) -> None:
    """How long it takes is what it loads: the bare interpreter's, pip's own ``import re`` in the
    script that it writes, and ours, which is the module that prints and its package."""
    _, bare = loaded("-c", "import re")
    package = SCRIPTS[script]
    folder = next(one for one in PROGRAMS if one.parent.name == package)
    ours = {"sagline_logger", "sagline_logger.start", package, f"{package}.start"}
    asked: dict[tuple[str, ...], str] = {("--help",): f"{script}.txt", ("-h",): f"{script}.txt"}
    if script != "sagline-demo":
        name = next(iter(PROGRAMS[folder].commands))
        asked[name, "--help"] = f"{script}_{name}.txt"
        asked["--completion", "zsh"] = f"{script}.zsh"
        asked["--version",] = ""
    for words, file in asked.items():
        said, names = loaded(str(Path(sys.executable).with_name(script)), *words)
        expected = (folder / file).read_text(encoding="utf-8") if file else None
        assert said == (expected or f"{script} {__version__}\n")
        assert names - bare == ours


def test_another_form_of_a_text_goes_the_long_way() -> None:
    words = (sys.executable, "-m", "sagline_logger", "record", "--help")
    kept = (ROOT / "logger/sagline_logger/texts/sagline-logger_record.txt").read_text()
    assert run(*words).stdout == run(*words, COLUMNS="80").stdout == kept
    lines = len(kept.splitlines())
    assert len(run(*words, COLUMNS="60").stdout.splitlines()) > lines
    assert len(run(*words, COLUMNS="120").stdout.splitlines()) < lines
    told = run(*words, SAGLINE_DEBUG="1")
    assert told.stdout == kept and "sagline-logger" in told.stderr
    assert run(*words, PYTHONIOENCODING="utf-16").stdout  # any encoding that is not ours


def on_terminal(columns: int, *words: str) -> str:
    """Return what a program prints on a real terminal of a width."""
    far, near = pty.openpty()
    fcntl.ioctl(near, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    left = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    process = subprocess.Popen(words, stdout=near, stderr=near, env=left)
    os.close(near)
    said = b""
    while True:
        try:
            part = os.read(far, 65536)
        except OSError:  # how Linux says that the other end is closed
            break
        if not part:
            break
        said += part
    os.close(far)
    assert process.wait(60) == 0
    return said.decode().replace("\r\n", "\n")


def test_a_terminal_is_never_narrower_than_the_text() -> None:
    words = (sys.executable, "-m", "sagline_analyser", "share", "--help")
    kept = (ROOT / "analyser/sagline_analyser/texts/sagline-analyser_share.txt").read_text()
    assert on_terminal(80, *words) == on_terminal(200, *words) == kept
    narrow = [line for line in on_terminal(60, *words).splitlines() if "sagline-" not in line]
    assert max(map(len, narrow)) <= 60  # but for the examples, which stand as they are


def test_nothing_asked_for_is_answered_with_the_help_and_no_success() -> None:
    for folder, program in PROGRAMS.items():
        done = run(sys.executable, "-m", folder.parent.name, COLUMNS="80")
        assert (done.returncode, done.stdout) == (2, "")
        assert done.stderr == (folder / f"{program.name}.txt").read_text(encoding="utf-8")


def test_a_text_that_is_gone_is_told(tmp_path: Path) -> None:
    """An install that lost a file still helps, and says what it cannot."""
    package = ROOT / "logger" / "sagline_logger"
    shutil.copytree(package, tmp_path / package.name, ignore=lambda *_: ["texts"])
    words = (sys.executable, "-m", "sagline_logger")
    helped = run(*words, "verify", "--help", PYTHONPATH=str(tmp_path))
    assert helped.returncode == 0 and "--strict" in helped.stdout
    for shell in SHELLS:
        told = run(*words, "--completion", shell, PYTHONPATH=str(tmp_path))
        assert told.returncode == 1 and told.stderr.count("\n") == 1 and shell in told.stderr
