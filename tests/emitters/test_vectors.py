"""Both emitters against the test vectors: the header by gcc and g++ and on a simulated 8-bit chip,
the module in CPython and in a real MicroPython."""

import json

import pytest

from sagline_logger.format import SIGNATURE
from support import emitter_vectors
from support.emitters import C99, CPP17, HERE, LONG_TEXTS, MODULE, build, run, run_cpython
from support.emitters import run_micropython as on_micropython

VECTORS = MODULE.parents[2] / "vectors" / "records.json"
CASES = json.loads(VECTORS.read_text())


def check(printed: str) -> None:
    """Hold lines of "number how frame" against the vectors."""
    frames = {}
    for line in printed.split("\n"):
        if line.strip():
            number, how, *frame = line.split(" ")
            frames[int(number), how] = "".join(frame).strip()
    for (number, how), frame in frames.items():
        case = CASES[number]
        log = SIGNATURE.hex() if (case["is"]["record"], how) == ("CAPTURE", "record") else ""
        assert frame == log + case["frame"], f"{case['name']}, by {how}"
    by_record = {CASES[n]["is"]["record"] for n, how in frames if how == "record"}
    assert by_record == emitter_vectors.RECORDS
    assert {n for n, how in frames if how == "body"} == set(range(len(CASES)))


@pytest.mark.parametrize("compiler", [C99, CPP17], ids=["C99, sanitized", "C++17"])
def test_the_header_writes_the_vectors(tmp_path, compiler):
    source, expected = emitter_vectors.program(CASES)
    path = tmp_path / "vectors.c"
    path.write_text(source)
    printed = run(build(tmp_path / "vectors", compiler, path, flags=tuple(LONG_TEXTS))).decode()
    check(printed)
    assert len(expected) == sum(bool(line) for line in printed.split("\n"))


@pytest.mark.parametrize("python", [run_cpython, on_micropython], ids=["CPython", "MicroPython"])
def test_the_module_writes_the_vectors(python):
    check(python(HERE / "on_board" / "vectors.py", MODULE, VECTORS))
