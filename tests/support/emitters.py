"""The emitters of ``protocol_docs/emitters`` compiled and run: C by gcc, Python by two Pythons."""

import re
import subprocess
import sys
from pathlib import Path

EMITTERS = Path(__file__).parents[2] / "protocol_docs" / "emitters"
HEADER = EMITTERS / "c"
EXAMPLES = HEADER / "examples"
MODULE = EMITTERS / "micropython" / "sagline.py"
HERE = Path(__file__).parents[1] / "emitters"
WARNINGS = ["-Wall", "-Wextra", "-Wconversion", "-Wpedantic", "-Werror"]
SANITIZE = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
C99 = ["gcc", "-std=c99", *SANITIZE]
CPP17 = ["g++", "-x", "c++", "-std=c++17"]
CPP11 = ["g++", "-x", "c++", "-std=c++11", "-Wall", "-Wextra", "-Werror", "-pedantic"]
CORTEX_M = ["-mthumb", "-Os", "-ffunction-sections", "-fdata-sections"]
LONG_TEXTS = ["-DSAGLINE_NAME=48", "-DSAGLINE_UNIT=16", "-DSAGLINE_LABEL=32"]


def build(out: Path, compiler: list[str], *sources: Path, flags: tuple[str, ...] = ()) -> Path:
    """Compile warning-free and return the program."""
    done = subprocess.run(
        [
            *compiler,
            *WARNINGS,
            "-D_DEFAULT_SOURCE",
            f"-I{HEADER}",
            f"-I{EXAMPLES}",
            *flags,
            "-o",
            str(out),
            *map(str, sources),
        ],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return out


def run(*command: object, stdin: str = "", **environment: object) -> bytes:
    """Run a program and return what it wrote."""
    done = subprocess.run(
        list(map(str, command)),
        input=stdin.encode(),
        capture_output=True,
        timeout=120,
        env={"PATH": "/usr/bin:/bin", **{k: str(v) for k, v in environment.items()}},
    )
    assert done.returncode == 0, done.stderr.decode()[-2000:]
    return done.stdout


def run_cpython(script: Path, *files: Path) -> str:
    """Run a script in this Python, with the files' folders to import from and read in."""
    code = (
        f"import sys, os; sys.path[:0] = {[str(f.parent) for f in files]!r}; "
        f"os.chdir({str(files[-1].parent)!r}); exec(open({str(script)!r}).read(), "
        "{'__name__': '__main__'})"
    )
    return run(sys.executable, "-c", code).decode()


def run_micropython(script: Path, *files: Path) -> str:
    """Run a script in a real MicroPython under Node."""
    return run("node", HERE / "micropython.mjs", script, *files).decode()


def three_power_cycles(folder: Path) -> bytes:
    """Return the card of an ATmega328P under simavr that appends to one file at each of its starts,
    boots 7, 8 and 9; the power fails twice, once in a frame."""
    card = folder / "card.c"
    example = (EXAMPLES / "card.c").read_text()
    card.write_text(example.replace("sagline_log_begin", "sagline_log_append"))
    starts = []
    for boot in (7, 8, 9):
        compiler = ["avr-gcc", "-std=gnu99", "-mmcu=atmega328p", "-Os", f"-DBOOT={boot}"]
        elf = build(folder / f"{boot}.elf", compiler, card, HERE / "avr_board.c")
        printed = run("sh", "-c", f"simavr -m atmega328p -f 16000000 {elf} 2>&1").decode()
        lines = [re.sub(r"\x1b\[\d*m", "", line) for line in printed.splitlines()]
        digits = "".join(m[1] for line in lines if (m := re.fullmatch(r"([0-9a-f]+)\.?", line)))
        starts.append(bytes.fromhex(digits))
    return starts[0][:-700] + starts[1][:-2] + starts[2]
