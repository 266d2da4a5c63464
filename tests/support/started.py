"""Our programs run in a new process that has their packages loaded already.

A small command's time goes into starting Python and loading pandas, so a test that runs commands
by the dozen does not start each from nothing: one process loads everything once and forks for each
command.  The command has a process, standard streams, an environment and an exit status of its
own, as ever.  What a start itself decides (streams closed, ``python -m``, what is imported when)
needs a real one: ``subprocess``.
"""

import atexit
import functools
import gc
import importlib
import io
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NoReturn

PROGRAMS = ("sagline_logger", "sagline_analyser")
LOADED = ("sagline_analyser.findings.answers", "sagline_analyser.page.document")
"""What commands import only when they need it."""
PATIENCE = 120.0
"""s after which a command that does not end fails its test."""


def run(
    words: Sequence[object],
    stdout: Any = None,
    env: Mapping[str, str] | None = None,
    cwd: Path | None = None,
) -> "subprocess.CompletedProcess[bytes]":
    """Run ``words`` (a package and its arguments, as after ``python -m``), and wait for its end.

    Args:
        words: the package, one of :data:`PROGRAMS`, and the arguments.
        stdout: a file or its number that takes the place of the standard output; None captures it.
        env: the whole environment; None gives this process's.
        cwd: where to run; None is here.

    Returns:
        the exit status, and what the two outputs were given (``stdout`` only if captured).
    """
    request = {
        "words": list(map(str, words)),
        "env": dict(os.environ if env is None else env),
        "cwd": str(cwd or Path.cwd()),
    }
    with (
        tempfile.TemporaryFile() as out,
        tempfile.TemporaryFile() as err,
        Path(os.devnull).open() as none,
    ):
        given = out if stdout is None else stdout
        number = given if isinstance(given, int) else given.fileno()
        link = _forker()
        data = json.dumps(request).encode()
        socket.send_fds(link, [len(data).to_bytes(4, "big")], [none.fileno(), number, err.fileno()])
        link.sendall(data)
        answer = link.recv(4)
        assert len(answer) == 4, "the process that forks has died"
        out.seek(0)
        err.seek(0)
        status = int.from_bytes(answer, "big", signed=True)
        said = out.read() if stdout is None else None
        return subprocess.CompletedProcess(request["words"], status, said, err.read())


def run_text(words: Sequence[object], **options: Any) -> "subprocess.CompletedProcess[str]":
    """As :func:`run`; what came out is text."""
    done = run(words, **options)
    out = None if done.stdout is None else done.stdout.decode()
    return subprocess.CompletedProcess(done.args, done.returncode, out, done.stderr.decode())


@functools.cache
def _forker() -> socket.socket:
    """Start the process that forks, once, and return the link to it; it ends with this process."""
    ours, theirs = socket.socketpair()
    ours.settimeout(PATIENCE)
    code = f"from support import started; started._serve({theirs.fileno()})"
    root = str(Path(__file__).parents[1])
    subprocess.Popen(
        [sys.executable, "-c", code],
        pass_fds=[theirs.fileno()],
        env=os.environ | {"PYTHONPATH": root},
        stdin=subprocess.DEVNULL,
    )
    theirs.close()
    return ours


def _serve(number: int) -> None:
    from sagline_analyser.own_process import keep_little

    keep_little()
    for name in PROGRAMS:
        program = importlib.import_module(f"{name}.cli").PROGRAM
        program.parser()  # imports every command
    for name in LOADED:
        importlib.import_module(name)
    gc.freeze()  # what is loaded is shared with the commands, so none of them goes through it
    link = socket.socket(fileno=number)
    while True:
        head, numbers, _, _ = socket.recv_fds(link, 4, 3)
        if not head:
            return
        left, data = int.from_bytes(head, "big"), b""
        while len(data) < left:
            data += link.recv(left - len(data))
        child = os.fork()
        if not child:
            link.close()
            _become(json.loads(data), numbers)
        for one in numbers:
            os.close(one)
        _, status = os.waitpid(child, 0)
        link.sendall(os.waitstatus_to_exitcode(status).to_bytes(4, "big", signed=True))


def _become(request: dict[str, Any], numbers: list[int]) -> NoReturn:
    """Be the command: as an interpreter that was started for it would, and end as one."""
    status = 70
    try:
        os.environ.clear()
        os.environ.update(request["env"])
        os.chdir(request["cwd"])
        for place, number in enumerate(numbers):
            os.dup2(number, place)
            os.close(number)
        encoding = request["env"].get("PYTHONIOENCODING", "utf-8")
        sys.stdin = io.TextIOWrapper(os.fdopen(0, "rb", closefd=False), encoding)
        sys.stdout = io.TextIOWrapper(os.fdopen(1, "wb", closefd=False), encoding)
        sys.stderr = io.TextIOWrapper(
            os.fdopen(2, "wb", closefd=False), encoding, "backslashreplace", line_buffering=True
        )
        signal.signal(signal.SIGPIPE, signal.SIG_IGN)
        program, *words = request["words"]
        sys.argv = [program, *words]
        try:
            status = importlib.import_module(f"{program}.cli").main(words)
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else 0 if end.code is None else 1
        atexit._run_exitfuncs()
        try:
            sys.stdout.flush()
        except OSError:
            status = 120
        sys.stderr.flush()
    finally:
        os._exit(status)
