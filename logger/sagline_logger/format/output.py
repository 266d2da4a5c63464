"""The one way in which a command makes a file: beside its place, whole, then moved there.

A failure, or a program that is stopped, leaves what was there before.  What is there before is only
ever replaced by the command that made it: never a log, an archive, or a file of anybody else's.
"""

import contextlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

from .errors import SaglineError

_FRONT = 1 << 12
"""Bytes at the front of a file that tell whose it is."""

Mine = Callable[[bytes], bool]
"""Whether a file that begins like this is the same command's earlier output."""


def titled(ending: str) -> Mine:
    """Return what knows a page by the end of its title."""
    sign = f"{ending}</title>".encode()
    return lambda front: front.startswith(b"<!doctype html>") and sign in front


def check_output(path: Path, mine: Mine | None = None) -> None:
    """Check, before any work, that :func:`output` may write ``path``.

    Raises:
        SaglineError: a file is there and is not the command's own earlier output.
    """
    try:
        if path.is_dir():
            raise SaglineError("is a directory", where=str(path), remedy="name a file in it")
        if not path.is_file():
            return  # nothing, or a device or pipe that cannot be overwritten
        with path.open("rb") as file:
            front = file.read(_FRONT)
    except OSError as problem:
        raise _unwritable(path, problem) from None
    if mine is None or not mine(front):
        raise SaglineError(
            f"{_kind(path)}is already there and is not overwritten",
            where=str(path),
            remedy="move it or choose another name",
        )


@contextlib.contextmanager
def output(path: Path, mine: Mine | None = None) -> Iterator[IO[bytes]]:
    """Give a binary file to write ``path`` with; it appears there when the block ends well.

    A link is followed.  A device or a pipe is written straight.

    Raises:
        SaglineError: as :func:`check_output`, or the file cannot be written.
    """
    check_output(path, mine)
    try:
        target = path.resolve()
        if target.exists() and not target.is_file():
            with target.open("wb") as file:
                yield file
            return
        beside = target.with_name(f".sagline-{os.getpid()}-{os.urandom(4).hex()}.part")
        try:
            with beside.open("xb") as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
            check_output(path, mine)  # much may have happened while it was worked out
            if mine is not None and target.exists():
                beside.replace(target)
            else:
                move_to_new(beside, target)
        finally:
            with contextlib.suppress(OSError):
                beside.unlink(missing_ok=True)
    except FileExistsError:
        check_output(path, mine)
        raise SaglineError(
            "something else was put there meanwhile", where=str(path), remedy="try again"
        ) from None
    except OSError as problem:
        raise _unwritable(path, problem) from None


def move_to_new(path: Path, target: Path) -> None:
    """Give the file ``path`` the name ``target``, never replacing a file.

    Raises:
        FileExistsError: there is a file of that name.
        OSError: it cannot be done.
    """
    try:
        os.link(path, target)
    except FileExistsError:
        raise
    except OSError:  # FAT has no links: claim the name, then move over the claim
        target.touch(exist_ok=False)
        try:
            path.replace(target)
        except OSError:
            target.unlink()
            raise
    else:
        path.unlink()


def _kind(path: Path) -> str:
    try:
        from .log_file import open_log  # a start that only shows help does without

        open_log(path).close()
    except SaglineError:
        return ""
    return "a Sagline log "


def _unwritable(path: Path, problem: OSError) -> SaglineError:
    return SaglineError(
        f"cannot write ({problem.strerror or problem})",
        where=str(path),
        remedy="choose another place",
    )
