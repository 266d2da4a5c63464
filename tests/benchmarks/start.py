"""What a start costs: help, version and completion against the bare interpreter.

Run: ``python tests/benchmarks/start.py [WHEEL]``.  Makes a fresh environment with the newest pip
and the base install (of this tree, or of a wheel), and runs in turn its bare interpreter and what
is measured.  Processor time of whole processes, medians of the ratio within a turn.  The scripts
that installers write, with an empty ``main``, are measured too: that part is not ours.
"""

import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
TURNS = 60
OLDER = """#!{python}
# -*- coding: utf-8 -*-
import re
import sys
from {module} import main
if __name__ == '__main__':
    sys.argv[0] = re.sub(r'(-script\\.pyw|\\.exe)?$', '', sys.argv[0])
    sys.exit(main())
"""
"""The script that pip wrote until its version 24, from memory of such files."""


def main() -> None:
    """Run it."""
    wheel = sys.argv[1] if len(sys.argv) > 1 else str(ROOT)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "it"
        programs = folder / "bin"
        python = str(programs / "python")
        quiet = {"check": True, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        subprocess.run((sys.executable, "-m", "venv", folder), **quiet)
        for wanted in (("-U", "pip"), (wheel,)):
            subprocess.run((python, "-m", "pip", "install", "-q", *wanted), **quiet)
        (site,) = folder.glob("lib/python*/site-packages")
        (site / "sagline_nothing").mkdir()
        (site / "sagline_nothing" / "__init__.py").write_text("def main(): return 0\n")
        (site / "sagline_nothing" / "__main__.py").write_text("")
        newer = (programs / "sagline-logger").read_text()
        for file, text in {
            "empty": newer.replace("sagline_logger.start", "sagline_nothing"),
            "older": OLDER.format(python=python, module="sagline_logger.start"),
            "older-empty": OLDER.format(python=python, module="sagline_nothing"),
        }.items():
            (programs / file).write_text(text)
            (programs / file).chmod(0o755)
        subprocess.run((python, "-m", "compileall", "-q", site / "sagline_nothing"), **quiet)
        log = Path(name) / "small.sagline"
        ours = str(programs / "sagline-logger")
        with log.open("wb") as out:
            ride = ("simulate", "--stdout", "--speed", "0", "--seconds", "5")
            subprocess.run((ours, *ride), check=True, stdout=out, stderr=subprocess.DEVNULL)
        bare = (python, "-c", "pass")
        print(f"processor time against `python -c pass` ({TURNS} turns); aim of --help: 1.30")
        for told, words in {
            "sagline-logger --help": (ours, "--help"),
            "sagline-logger record --help": (ours, "record", "--help"),
            "sagline-logger --version": (ours, "--version"),
            "sagline-logger --completion bash": (ours, "--completion", "bash"),
            "sagline-analyser --help": (str(programs / "sagline-analyser"), "--help"),
            "  pip's script with an empty main": (str(programs / "empty"),),
            "sagline-logger --help, older pip's script": (str(programs / "older"), "--help"),
            "  older pip's script with an empty main": (str(programs / "older-empty"),),
            "python -m sagline_logger --help": (python, "-m", "sagline_logger", "--help"),
            "  python -m of an empty module": (python, "-m", "sagline_nothing"),
            "sagline-logger verify, a log of 5 s": (ours, "verify", str(log)),
        }.items():
            print(f"{told:44} {ratio(words, bare):5.2f}", flush=True)


def ratio(words: tuple[str, ...], bare: tuple[str, ...]) -> float:
    """Return the median of the turns' ratios."""
    found = []
    for turn in range(TURNS + 3):
        ours, theirs = spent(words), spent(bare)
        if turn >= 3:  # the first ones read files that later ones find in memory
            found.append(ours / theirs)
    return statistics.median(found)


def spent(words: tuple[str, ...]) -> float:
    """Return the processor time of a whole process in s."""
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, words
    return usage.ru_utime + usage.ru_stime


if __name__ == "__main__":
    main()
