"""The copy that is mutated, and what is in it: mutmut (3.8) names and writes the mutants."""

import difflib
import json
import os
import random
import subprocess
from dataclasses import asdict, dataclass
from pathlib import Path

from mutant_switch import function_of

ROOT = Path(__file__).parents[2]
SOURCES = ("logger", "analyser")
COPIED = ("logger/sagline_logger", "analyser/sagline_analyser", "tests", "protocol_docs")
MUTMUT_SWITCH = "from mutmut.mutation.trampoline import wrap_in_trampoline"
OUR_SWITCH = "from mutant_switch import wrap_in_trampoline"


@dataclass(frozen=True)
class Mutant:
    """One changed place: its name, its module's path and what is changed."""

    name: str
    path: str
    version: str
    """A hash of the function it is of; what was found of another version counts no more."""
    diff: str


def copy_checkout(at: Path, mutated: set[str]) -> None:
    """Bring the copy to what the checkout holds; equal files keep their time and what Python
    compiled of them, and ``mutated`` files are left to :func:`mutate`."""
    names = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard", *COPIED],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split("\0")
    for name in filter(None, names):
        old, new = ROOT / name, at / name
        if old.is_file() and name not in mutated:
            put(new, old.read_bytes())
    put(
        at / "pyproject.toml",
        b"[tool.pytest.ini_options]\n"
        b'addopts = "--import-mode=importlib -p no:cacheprovider"\n'
        b'pythonpath = ["tests"]\n'
        b'[tool.mutmut]\nsource_paths = ["logger"]\n',
    )


def put(path: Path, content: bytes) -> None:
    """Write a file unless it holds that already."""
    if not (path.is_file() and path.read_bytes() == content):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


def module_name(path: str) -> str:
    """``logger/sagline_logger/format/cobs.py`` → ``sagline_logger.format.cobs``."""
    dotted = path.partition("/")[2].removesuffix(".py").replace("/", ".")
    return dotted.removesuffix(".__init__")


def mutate(at: Path, path: str) -> list[Mutant]:
    """Write the mutated module into the copy and return its mutants; kept for as long as the
    source stays as it is."""
    source = (ROOT / path).read_text(encoding="utf-8")
    kept = at / "mutants" / f"{module_name(path)}.json"
    if kept.is_file():
        held = json.loads(kept.read_text(encoding="utf-8"))
        if held["source"] == source and (at / path).is_file():
            return [Mutant(**one) for one in held["mutants"]]
    os.chdir(at)  # mutmut reads its settings there
    from mutmut.mutation.file_mutation import mutate_file_contents

    written = mutate_file_contents(path, source)
    code = written.code.replace(MUTMUT_SWITCH, OUR_SWITCH)
    put(at / path, code.encode())
    lines = written.code.splitlines()

    def text(function: str) -> list[str]:
        span = written.line_span_by_function_name[function]
        own = lines[span.start - 1 : span.end]
        return [line.replace(function, function_of(f".{function}")[1]) for line in own]

    mutants = []
    for name in written.mutant_names:
        function = function_of(f".{name}")[1]
        diff = difflib.unified_diff(text(f"{function}__mutmut_orig"), text(name), "", "", "", "", 2)
        version = written.hash_by_function_name[function]
        changes = "\n".join(list(diff)[2:])
        mutants.append(Mutant(f"{module_name(path)}.{name}", path, version, changes))
    held = {"source": source, "mutants": [asdict(mutant) for mutant in mutants]}
    put(kept, json.dumps(held).encode())
    return mutants


def sample(mutants: list[Mutant], most: int) -> list[Mutant]:
    """Return at most ``most`` of one module's mutants, by a chance that is the same each time; a
    larger sample holds the smaller one."""
    if len(mutants) <= most:
        return mutants
    drawn = random.Random(1).sample(range(len(mutants)), len(mutants))[:most]
    return [mutants[at] for at in sorted(drawn)]
