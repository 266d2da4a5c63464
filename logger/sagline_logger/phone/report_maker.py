"""Reports on the logger's own machine, where the analyser is installed: one at a time."""

import asyncio
import contextlib
import importlib.util
import os
import sys
import time
from dataclasses import dataclass
from pathlib import Path

LONGEST = 1800.0
"""s after which a report is given up."""


@dataclass
class Making:
    """One report: ``page`` is there once ``done``; ``problem`` says in a line why it is not."""

    name: str
    page: Path
    began: float
    done: bool = False
    problem: str = ""
    ended: float = 0.0

    @property
    def seconds(self) -> float:
        """How long it has taken so far, or took."""
        return (self.ended or time.monotonic()) - self.began


class ReportMaker:
    """Runs ``sagline-analyser plot`` below all else, into ``directory``; for one event loop."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self.made: dict[str, Making] = {}
        self._task: asyncio.Task[None] | None = None

    @property
    def installed(self) -> bool:
        """Whether there is an analyser here."""
        parts = ("sagline_analyser", "numpy", "pandas", "plotly")
        return all(importlib.util.find_spec(part) for part in parts)

    def find(self, name: str) -> Path | None:
        """Return the finished report of a capture."""
        making = self.made.get(name)
        return making.page if making and making.done and not making.problem else None

    def begin(self, log: Path) -> str:
        """Begin the report of a log, and return why not, if so."""
        if not self.installed:
            return "the analyser is not installed here"
        if self._task is not None and not self._task.done():
            return "another report is being made"
        page = self.directory / f"{log.stem}.html"
        making = self.made[log.name] = Making(log.name, page, time.monotonic())
        while len(self.made) > 50:
            self.made.pop(next(iter(self.made)))
        self._task = asyncio.get_running_loop().create_task(self._make(log, making))
        return ""

    async def _make(self, log: Path, making: Making) -> None:
        words = ("-m", "sagline_analyser", "plot", str(log), "-o", str(making.page))
        running = None
        try:
            self.directory.mkdir(parents=True, exist_ok=True)
            running = await asyncio.create_subprocess_exec(
                sys.executable,
                *words,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
                start_new_session=True,
            )
            with contextlib.suppress(OSError):  # the capture comes first
                os.setpriority(os.PRIO_PROCESS, running.pid, 19)
            _, said = await asyncio.wait_for(running.communicate(), LONGEST)
            if running.returncode:
                lines = said.decode("utf-8", "replace").strip().splitlines()
                making.problem = lines[-1][:300] if lines else f"it ended with {running.returncode}"
        except TimeoutError:
            making.problem = f"not done after {LONGEST / 60:.0f} minutes"
        except OSError as problem:
            making.problem = problem.strerror or str(problem)
        finally:
            if running is not None and running.returncode is None:
                running.kill()
            making.done, making.ended = True, time.monotonic()
