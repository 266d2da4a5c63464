"""Where the rides are worked on: here, in processes of this machine, or on a Dask cluster."""

import os
import re
import socket
from collections.abc import Callable, Iterator, Sequence
from importlib import import_module
from importlib.util import find_spec
from typing import Any

from sagline_logger.format import SaglineError

from .ride_figures import RideFigures

FEW = 4
"""Rides up to which starting processes takes longer than the work."""
Work = Callable[[str], RideFigures]
_CONNECT = 15.0  # s


def run(
    work: Work, paths: Sequence[str], engine: str = "", processes: int = 0
) -> Iterator[tuple[str, RideFigures]]:
    """Yield (path, result) of ``work`` on every path, as they are done.

    ``engine`` is the address of a Dask scheduler, whose workers must see the files under the same
    paths and have Sagline installed; without one, ``processes`` processes are used (0: one a
    processor).

    Raises:
        SaglineError: the scheduler cannot be reached or used.
    """
    if engine:
        return _on_dask(work, paths, engine)
    processes = min(processes or os.cpu_count() or 1, len(paths))
    if processes == 1 or len(paths) < FEW:
        return ((path, work(path)) for path in paths)
    return _in_processes(work, paths, processes)


def _in_processes(
    work: Work, paths: Sequence[str], processes: int
) -> Iterator[tuple[str, RideFigures]]:
    # Imported here, as Dask is below: a list from the index needs neither.
    from concurrent.futures import ProcessPoolExecutor, as_completed
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    left = dict.fromkeys(paths)
    # Fresh interpreters, the same on every system: a copy of this one might hold locks.
    context = get_context("spawn")
    try:
        with ProcessPoolExecutor(processes, context) as pool:
            waiting = {pool.submit(work, path): path for path in paths}
            try:
                for done in as_completed(waiting):
                    result = done.result()
                    del left[waiting[done]]
                    yield waiting[done], result
            finally:
                pool.shutdown(cancel_futures=True)
    except BrokenProcessPool:
        # One file ended its process, as when memory runs out; which one, only trying each tells.
        pool = ProcessPoolExecutor(1, context)
        try:
            for path in left:
                try:
                    result = pool.submit(work, path).result()
                except BrokenProcessPool:
                    result = RideFigures(problem="reading it ended the program; is it too large?")
                    pool = ProcessPoolExecutor(1, context)
                yield path, result
        finally:
            pool.shutdown(cancel_futures=True)


def _on_dask(work: Work, paths: Sequence[str], address: str) -> Iterator[tuple[str, RideFigures]]:
    if find_spec("distributed") is None:
        raise SaglineError(
            "--engine needs Dask, which is not installed",
            remedy='install it with: pip install "sagline[analyser,dask]"',
        )
    # Dask itself waits half a minute on what is no address, and then says so in a traceback.
    if not re.fullmatch(r"(\w+://)?(\[[\da-fA-F:.]+\]|[^\s:/\[\]]+):\d{1,5}", address):
        raise SaglineError(
            "is no address of a Dask scheduler",
            where=address or "--engine",
            remedy="give HOST:PORT, as `dask scheduler` prints it, such as tcp://127.0.0.1:8786",
        )
    distributed: Any = import_module("distributed")  # it has no types

    class Client(distributed.Client):  # type: ignore[misc]
        def __del__(self) -> None:
            """Nothing: what never came about would wait half a minute and end in a traceback."""

    try:
        host, _, port = address.rpartition("//")[2].rpartition(":")
        socket.create_connection((host.strip("[]"), int(port)), _CONNECT).close()
        client = Client(address, timeout=_CONNECT, set_as_default=False)
    except (OSError, OverflowError, ValueError) as problem:
        raise SaglineError(
            f"no Dask scheduler answers ({str(problem).splitlines()[0] or type(problem).__name__})",
            where=address,
            remedy="start one with: dask scheduler, and workers with: dask worker",
        ) from None
    with client:
        if not client.scheduler_info()["workers"]:
            raise SaglineError(
                "the scheduler has no workers",
                where=address,
                remedy=f"start some with: dask worker {address}",
            )
        waiting = dict(zip(client.map(work, paths, pure=False), paths, strict=True))
        for done in distributed.as_completed(list(waiting), loop=client.loop):
            try:
                result = done.result()
            except Exception as problem:  # the worker lacks Sagline, or died again and again
                said = str(problem).splitlines()[0] if str(problem) else type(problem).__name__
                raise SaglineError(
                    f"a worker cannot do its work ({said})",
                    where=address,
                    remedy="install the same Sagline on every worker, and give it more memory",
                ) from None
            yield waiting.pop(done), result
