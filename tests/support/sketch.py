"""A sketch of the documentation, compiled and run as a program on a pseudo-terminal."""

import os
import re
import subprocess
import tty
from pathlib import Path

SHIM = Path(__file__).with_name("sketch_board")
PAGE = Path(__file__).parents[2] / "docs" / "any_board.md"


def page_sketch() -> str:
    """Return the sketch of docs/any_board.md."""
    found = re.search(r"```cpp\n(.*?)```", PAGE.read_text(), re.S)
    assert found is not None
    return found[1]


def compile_sketch(directory: Path, text: str) -> Path:
    """Return the program that a sketch makes."""
    source, program = directory / "sketch.cpp", directory / "sketch"
    source.write_text(f"#include <Arduino.h>\n{text}")
    done = subprocess.run(
        ["g++", "-std=c++11", "-Wall", "-Wextra", "-Werror", f"-I{SHIM}", "-o", program, source],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return program


class Sketch:
    """A running sketch; ``port`` is where it prints to."""

    def __init__(self, directory: Path, text: str) -> None:
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        self.port = os.ttyname(self._theirs)
        program = compile_sketch(directory, text)
        self._process = subprocess.Popen([program], stdout=self._ours)

    def close(self) -> None:
        """End it."""
        self._process.kill()
        self._process.wait()
        os.close(self._ours)
        os.close(self._theirs)
