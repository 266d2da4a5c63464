"""What protocol_docs/emitters/README.md shows is run, and what it quotes is measured."""

import io
import os
import re
import subprocess
import sys
from pathlib import Path

from sagline_logger.format import read_log
from sagline_logger.verify.survey import survey
from support.emitters import C99, EMITTERS, MODULE, build, run

ROOT = EMITTERS.parents[1]
TEXT = (EMITTERS / "README.md").read_text()


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", TEXT, re.M | re.S)


def shell(script: str, folder: Path) -> str:
    """Run commands where the repository is at hand, with this environment's programs first."""
    for name in ("protocol_docs", "tests"):
        (folder / name).symlink_to(ROOT / name)
    path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", script],
        cwd=folder,
        capture_output=True,
        text=True,
        env={**os.environ, "PATH": path},
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_commands(tmp_path):
    see, measure = blocks("sh")
    printed = shell(see, tmp_path)
    assert "300 samples in 30 frames, 0 lost" in printed
    assert "Nothing lost." in printed
    assert measure == "protocol_docs/emitters/c/measure.sh\n"  # run by the next test


def test_the_sizes_quoted_are_those_measured(tmp_path):
    """Within a tenth, since compilers differ; compilers that are not here are not judged."""
    printed = shell("protocol_docs/emitters/c/measure.sh", tmp_path)
    figures = re.findall(r"^(.{18}) (.{34}) flash +(\d+) B   RAM +(\d+) B$", printed, re.M)
    quoted = [
        [int(n) for n in re.findall(r"\d+", line.split("|", 2)[2])]
        for line in TEXT.splitlines()
        if re.match(r"\| [a-zA-Z, `_0-9]*:? ?(flash|RAM) \|", line)
    ]
    assert [len(row) for row in quoted] == [4] * 7
    order = ["host", "8-bit AVR", "32-bit Cortex-M0+", "32-bit Cortex-M4"]
    seen = set()
    for label, what, flash, ram in figures:
        column = order.index(label.strip())
        row = [
            "emitter",
            "emitter, short frames (RUN 64)",
            "emitter that writes log files",
            "serial example, sensors included",
        ].index(what.strip())
        flash_row, ram_row = [(0, 1), (None, 2), (3, 4), (5, 6)][row]
        assert abs(int(ram) / quoted[ram_row][column] - 1) < 0.1
        if flash_row is not None:
            assert abs(int(flash) / quoted[flash_row][column] - 1) < 0.1
        seen.add(label.strip())
    assert {"host", "8-bit AVR"} <= seen


def test_the_whole_programs_send_the_same(tmp_path):
    (c,), (python,) = blocks("c"), blocks("python")
    (tmp_path / "board.c").write_text(c)
    (tmp_path / "board.py").write_text(python)
    sent = run(build(tmp_path / "board", C99, tmp_path / "board.c"))
    assert run(sys.executable, tmp_path / "board.py", PYTHONPATH=MODULE.parent) == sent
    found = survey(read_log(io.BytesIO(sent)))
    assert (found.damaged, found.streams[0].samples, found.kinds["Event"]) == (0, 300, 1)


def test_the_drawing_is_named_and_reads_without_colour():
    """No meaning hangs on a hue: one accent, and its part is labelled too."""
    drawing = (EMITTERS / "wiring.svg").read_text()
    assert "<title" in drawing
    assert "<desc" in drawing
    colours = set(re.findall(r"#[0-9a-f]{3,6}\b", drawing))
    grey = {c for c in colours if len(set(re.findall(".." if len(c) == 7 else ".", c[1:]))) == 1}
    assert colours - grey == {"#0072b2"}
    for word in ("tap fuse", "ground fuse", "main fuse", "isolation barrier", "current sensor"):
        assert word in drawing
