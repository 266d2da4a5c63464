"""A real ``record --serve`` on a pseudo-terminal, and a telephone to talk to it."""

import contextlib
import http.client
import json
import re
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from support.capture import LOGGER, PATIENCE, port_at, wait_until
from support.standing_board import StandingBoard

BOARD = Path(__file__).parents[2] / "analyser" / "sagline_analyser" / "demo_board.toml"
"""The board file of the demonstration: its alarm voltage is 3.2 V a cell."""


@dataclass
class Serving:
    """A logger that serves its page; ``said`` is what it wrote on standard error so far."""

    process: subprocess.Popen[bytes]
    directory: Path
    errors: Path
    host: str = "127.0.0.1"
    port: int = 0
    secret: str = ""

    @property
    def said(self) -> str:
        return self.errors.read_text(encoding="utf-8")

    def wait(self) -> None:
        """Wait for the page, and for samples to be captured."""
        wait_until(lambda: re.search(r"at https?://[^ ]+:\d+/\n", self.said) is not None)
        self.port = int(re.findall(r"at https?://[^ ]+:(\d+)/\n", self.said)[-1])
        shown = re.findall(r"secret is ([0-9A-Z-]+),", self.said)
        self.secret = shown[-1] if shown else ""

    def telephone(self) -> "Telephone":
        """Return a visitor without a cookie."""
        return Telephone(self)

    def paired(self) -> "Telephone":
        """Return a visitor that knows the secret."""
        visitor = self.telephone()
        assert visitor.post("/pair", {"secret": self.secret})[0] == 200
        return visitor

    def capturing(self) -> None:
        """Wait until samples come in."""
        visitor = self.telephone()

        def runs() -> bool:
            told = visitor.state()
            return bool(told.get("moving") or told.get("rate", 0) > 0)

        wait_until(runs, 0.1)  # an address that asks more often is refused for a while


@dataclass
class Telephone:
    """A visitor with a cookie jar of one."""

    serving: Serving
    cookie: str = ""
    headers: dict[str, str] = field(default_factory=dict)
    """The head of the last answer, names in lower case."""

    def get(self, path: str, **headers: str) -> tuple[int, Any]:
        return self.ask("GET", path, None, headers)

    def state(self) -> Any:
        """Return what the page tells now."""
        status, told = self.get("/state")
        assert status == 200
        return told

    def post(self, path: str, body: object = None, **headers: str) -> tuple[int, Any]:
        given = {
            "Content-Type": "application/json",
            "Origin": f"http://{self.serving.host}:{self.serving.port}",
        }
        text = body if isinstance(body, bytes) else json.dumps(body or {}).encode()
        return self.ask("POST", path, text, given | headers)

    def ask(
        self, method: str, path: str, body: bytes | None, headers: dict[str, str]
    ) -> tuple[int, Any]:
        """Return the status and the body: parsed where it is JSON, else its bytes.

        Who asks too fast is asked to wait, and does.
        """
        while True:
            status, got = self._ask(method, path, body, headers)
            if status != 429 or got != {"problem": "too many requests"}:
                return status, got
            time.sleep(0.2)

    def _ask(
        self, method: str, path: str, body: bytes | None, headers: dict[str, str]
    ) -> tuple[int, Any]:
        with contextlib.closing(
            http.client.HTTPConnection(self.serving.host, self.serving.port, timeout=PATIENCE)
        ) as connection:
            more = {"Cookie": self.cookie} if self.cookie else {}
            named = {name.replace("_", "-"): value for name, value in headers.items()}
            connection.request(method, path, body, more | named)
            answer = connection.getresponse()
            got = answer.read()
        self.headers = {name.lower(): value for name, value in answer.getheaders()}
        if "set-cookie" in self.headers:
            self.cookie = self.headers["set-cookie"].split(";")[0]
        is_json = self.headers.get("content-type") == "application/json"
        return answer.status, json.loads(got) if is_json else got


Serve = Callable[..., Serving]


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Serve]:
    """Give a function that starts a logger which serves its page: ``serve(board, "--option")``."""
    with contextlib.ExitStack() as stack:

        def start(board: StandingBoard | None = None, *options: str, wait: bool = True) -> Serving:
            port = stack.enter_context(port_at(tmp_path / f"port{time.monotonic_ns()}"))
            directory, errors = tmp_path / "rides", tmp_path / f"errors{time.monotonic_ns()}"
            where = ("--serial", str(port.path), "--out", str(directory), "--board", str(BOARD))
            command = [LOGGER, "record", *where, "--quiet", "--serve", "127.0.0.1:0", *options]
            with errors.open("wb") as file:
                process = subprocess.Popen(
                    command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=file
                )
            stack.callback(_end, process)
            serving = Serving(process, directory, errors)
            (board or StandingBoard()).play(port.send, lambda: process.poll() is not None)
            if wait:
                serving.wait()
                serving.capturing()
            return serving

        yield start


def _end(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.terminate()
        process.wait(PATIENCE)
