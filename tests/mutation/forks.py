"""Pytest plugin of ``run.py``: the tests are collected once, then each mutant is tried in a fork.

First every test runs alone in a fork, which tells how long it takes and what it reaches.  A mutant
gets the tests that reach its function, those first that noticed most of its neighbours, then the
quickest, and is done with at the first that fails.  A mutant that takes several times as long as
its tests did is stopped with all it started: it never ends, which is noticed too.
"""

import contextlib
import json
import math
import os
import resource
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import hypothesis
import mutant_switch
import pytest
from mutant_switch import function_of

PLAN = "SAGLINE_MUTATION_PLAN"
LONGER, MORE = 4, 3.0
"""A mutant may take so many times as long as its tests, and so many seconds more."""
EXAMPLES = 25
"""Of a property, with each mutant."""
QUICK: dict[str, Any] = {
    "deadline": None,
    "derandomize": True,
    "database": None,
    "phases": (hypothesis.Phase.explicit, hypothesis.Phase.generate),
    "suppress_health_check": list(hypothesis.HealthCheck),
}
MEMORY, FILE = 6 << 30, 1 << 28
"""Bytes that a mutant may take, and write into one file."""


def pytest_configure(config: pytest.Config) -> None:
    """Let hypothesis try the same examples each time, and not look for the smallest."""
    hypothesis.settings.register_profile("mutants", **QUICK)
    hypothesis.settings.load_profile("mutants")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """So few examples even where a test asks for more: what it misses by that counts as missed.

    Nobody reads why a test fails, and finding the line in a mutated file of megabytes takes long.
    """
    for item in items:
        vars(item).update(repr_failure=_untold, _repr_failure_py=_untold)
        asked = getattr(getattr(item, "obj", None), "_hypothesis_internal_use_settings", None)
        if asked is not None:
            own = {**QUICK, "max_examples": min(asked.max_examples, EXAMPLES)}
            item.obj._hypothesis_internal_use_settings = hypothesis.settings(asked, **own)


def _untold(*_: object, **__: object) -> str:
    return "noticed"


def pytest_runtestloop(session: pytest.Session) -> bool:
    """Run no test here, and each mutant of the plan in a fork."""
    if session.testsfailed:
        raise session.Failed("a test file cannot be read")
    plan = json.loads(Path(os.environ[PLAN]).read_text(encoding="utf-8"))
    at_import = frozenset(mutant_switch.reached)
    learned = learn(session, Path(plan["learned"]), plan["versions"])
    try_all(session, plan, learned, at_import)
    return True


# --- one fork -------------------------------------------------------------------------------


def in_fork(job: Callable[[], Any], processor: float, wall: float) -> tuple[str, Any, float]:
    """Return how a job ended in a process of its own ("done", "time", "died"), what it returned,
    and its seconds; at most so many seconds of processor and of the clock."""
    begun = time.monotonic()
    scratch = tempfile.mkdtemp(prefix="sagline_mutant_")
    said, tell = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(said)
        settle(scratch, processor)
        os.write(tell, json.dumps(job()).encode())
        os._exit(0)
    os.close(tell)
    watch = os.pidfd_open(child)
    in_time = bool(select.select([watch], [], [], wall)[0])
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)  # whatever it started as well
    _, status = os.waitpid(child, 0)
    os.close(watch)
    with os.fdopen(said, "rb") as pipe:
        text = pipe.read()
    shutil.rmtree(scratch, ignore_errors=True)
    took = time.monotonic() - begun
    if text:
        return "done", json.loads(text), took
    ended = in_time and not (os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGXCPU)
    return ("died" if ended else "time"), None, took


def settle(scratch: str, processor: float) -> None:
    """Make the forked process one of its own: group, limits, files and temporary directory."""
    os.setpgid(0, 0)
    seconds = math.ceil(processor)
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 2))
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY, MEMORY))
    resource.setrlimit(resource.RLIMIT_FSIZE, (FILE, FILE))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    nothing = os.open(os.devnull, os.O_RDWR)
    for number in range(3):
        os.dup2(nothing, number)
    os.environ["TMPDIR"] = os.environ["PYTEST_DEBUG_TEMPROOT"] = tempfile.tempdir = scratch


def run_items(session: pytest.Session, items: list[pytest.Item]) -> str:
    """Run tests until one fails and return its name, "" where none does."""
    for item, after in zip(items, [*items[1:], None], strict=True):
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
        if session.testsfailed:
            return item.nodeid
    return ""


# --- what each test takes and reaches -------------------------------------------------------


def learn(session: pytest.Session, kept: Path, versions: dict[str, str]) -> dict[str, Any]:
    """Return the test → its seconds and what it reaches; what was learned of the same files is
    not asked again."""
    held = json.loads(kept.read_text(encoding="utf-8")) if kept.is_file() else {}
    learned = {}
    for item in session.items:
        version = versions[item.nodeid.partition("::")[0]]
        one = held.get(item.nodeid)
        if one is None or one["version"] != version:
            one = {**ask(session, item), "version": version}
            held[item.nodeid] = one
            kept.write_text(json.dumps(held), encoding="utf-8")
        learned[item.nodeid] = one
    return learned


def ask(session: pytest.Session, item: pytest.Item) -> dict[str, Any]:
    """Run one test by itself."""

    def job() -> dict[str, Any]:
        mutant_switch.reached.clear()
        told = Path(tempfile.mkdtemp())
        os.environ[mutant_switch.REACHED] = str(told)
        begun = used()
        failed = run_items(session, [item])
        took = used() - begun
        reached = set(mutant_switch.reached)
        for one in told.glob("*.json"):  # of the programs that it started
            reached.update(map(tuple, json.loads(one.read_text())))
        return {"failed": failed, "seconds": took, "reached": sorted(reached)}

    ended, found, took = in_fork(job, 120.0, 600.0)
    if ended != "done" or found["failed"]:
        print(f"{item.nodeid} fails without any mutant ({ended}) and is left out", flush=True)
        return {"reached": [], "seconds": 0.0, "wall": took}
    return {"reached": found["reached"], "seconds": found["seconds"], "wall": took}


def used() -> float:
    """Return the seconds of processor of this process and those it started."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def cost(learned: dict[str, Any]) -> float:
    """Return the seconds of processor of a test, and a little for each: by the clock a busy machine
    makes any of them long."""
    return float(learned["seconds"]) + 0.01


# --- the mutants ----------------------------------------------------------------------------


def try_all(
    session: pytest.Session,
    plan: dict[str, Any],
    learned: dict[str, Any],
    at_import: frozenset[tuple[str, str]],
) -> None:
    """Try the plan's mutants until its time is over; each result is written at once."""
    items = {item.nodeid: item for item in session.items}
    reaching: dict[tuple[str, str], list[str]] = {}
    for test, one in learned.items():
        for module, function in one["reached"]:
            reaching.setdefault((module, function), []).append(test)
    noticed: Counter[tuple[str, str, str]] = Counter()
    end = time.monotonic() + plan["seconds"]
    with Path(plan["found"]).open("a", encoding="utf-8") as found:
        for number, (name, version) in enumerate(plan["mutants"].items()):
            if time.monotonic() > end:
                print(f"stopped after {number} of {len(plan['mutants'])}", flush=True)
                return
            function = function_of(name)
            tests = reaching.get(function, [])
            tests = sorted(tests, key=lambda test: (-noticed[*function, test], cost(learned[test])))
            tests = within(tests, learned, plan["most"])
            ended, by, took = "no test", "", 0.0
            if tests:
                chosen = [items[test] for test in tests]

                def job(name: str = name, chosen: list[pytest.Item] = chosen) -> str:
                    mutant_switch.choose(name)
                    return run_items(session, chosen)

                ended, by, took = in_fork(job, *limits(tests, learned))
                if ended == "done":
                    ended = "killed" if by else "survived"
            if function in at_import and ended in ("survived", "no test"):
                quick = within(
                    sorted(items, key=lambda test: cost(learned[test])), learned, plan["most"]
                )
                ended, by, took = anew(name, quick, limits(quick, learned)[1])
            if by:
                noticed[*function, by] += 1
            line = {"mutant": name, "version": version, "ended": ended, "by": by}
            found.write(json.dumps({**line, "took": round(took, 2)}) + "\n")
            found.flush()
            if number % 50 == 49:
                print(f"{number + 1} of {len(plan['mutants'])}", flush=True)


def limits(tests: list[str], learned: dict[str, Any]) -> tuple[float, float]:
    """Return the seconds of processor, and of the clock, that a mutant may take for tests."""
    seconds = sum(learned[test]["seconds"] for test in tests)
    wall = sum(learned[test]["wall"] for test in tests)
    return LONGER * seconds + MORE, LONGER * (LONGER * wall + MORE)


def within(tests: list[str], learned: dict[str, Any], most: float) -> list[str]:
    """Return the first tests that take at most so many seconds together, at least one."""
    whole, taken = 0.0, []
    for test in tests:
        whole += cost(learned[test])
        if taken and whole > most:
            break
        taken.append(test)
    return taken


def anew(name: str, tests: list[str], wall: float) -> tuple[str, str, float]:
    """Try a mutant of what runs while the modules are imported: in a new interpreter."""
    begun = time.monotonic()
    command = [sys.executable, "-m", "pytest", "-x", "-q", *tests]
    environment = {**os.environ, mutant_switch.VARIABLE: name}
    run = subprocess.Popen(
        command,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        ended = "killed" if run.wait(wall + 60.0) else "survived"
    except subprocess.TimeoutExpired:
        ended = "time"
    with contextlib.suppress(ProcessLookupError):
        os.killpg(run.pid, signal.SIGKILL)
    run.wait()
    return ended, "", time.monotonic() - begun
