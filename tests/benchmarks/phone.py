"""What the telephone's page costs a capture: ``python tests/benchmarks/phone.py [SECONDS]``.

At 300 kB/s, turn by turn: without the page, with it, with five visitors that look once a second,
and with a sixth that asks as fast as it can on four connections.  Visitors run in a process of
their own; figures are the logger's.
"""

import contextlib
import http.client
import multiprocessing
import os
import socket
import sys
import tempfile
import threading
import time
from pathlib import Path

from capture import Frames, checked, count, fed, recorder

VISITORS, FLOODING = 5, 4


def main() -> None:
    """Run all and print the figures."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    source = Frames("standard")
    without = once(source, seconds, None, 0, 0)
    for visitors, flooding in ((0, 0), (VISITORS, 0), (VISITORS, FLOODING)):
        share = once(source, seconds, _free_port(), visitors, flooding)
        print(f"  that is {100 * (share - without):+.1f} % of a core (aim: at most 10 % more)")


def once(source: Frames, seconds: float, port: int | None, visitors: int, flooding: int) -> float:
    """Capture once and print what it took; return the share of a core."""
    frames = source.take(round(300_000 * seconds))
    options = () if port is None else ("--serve", f"127.0.0.1:{port}")
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        with recorder(directory, *options) as (board, process, stop):
            asking = multiprocessing.get_context("spawn").Process(
                target=visit, args=(port, visitors, flooding), daemon=True
            )
            if visitors or flooding:
                asking.start()
                time.sleep(2)
            _, _, share, memory = fed(frames, board, process)
            if asking.pid:
                asking.kill()
            time.sleep(1)
            stop()
        lost = checked(directory, count(frames))
    what = "without the page" if port is None else f"page, {visitors} visitors"
    flood = f", a flood on {flooding} connections" if flooding else ""
    print(
        f"{what}{flood}: {100 * share:.1f} % of one core, {lost}, memory {memory[-1]:.1f} MB, "
        f"{memory[-1] - memory[len(memory) // 3]:+.1f} MB from a third of the run to its end"
    )
    return share


def visit(port: int, visitors: int, flooding: int) -> None:
    """Ask for the state: ``visitors`` once a second, ``flooding`` without a pause, for ever."""
    os.nice(5)
    for number in range(visitors + flooding):
        pause = 1.0 if number < visitors else 0.0
        threading.Thread(target=_ask, args=(port, pause), daemon=True).start()
    threading.Event().wait()


def _ask(port: int, pause: float) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    while True:
        with contextlib.suppress(OSError, http.client.HTTPException):
            connection.request("GET", "/state")
            connection.getresponse().read()
            time.sleep(pause)
            continue
        connection.close()


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


if __name__ == "__main__":
    main()
