"""The options of ``record`` that serve the page; nothing of it is loaded without them."""

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ..format import BoardFile, Limit, SaglineError, UsageError

if TYPE_CHECKING:
    from ..capture.desk import CaptureDesk
    from .server import PhoneScreen

_DEFAULT = ("127.0.0.1", 8470)


def add_phone_arguments(parser: argparse.ArgumentParser) -> None:
    """Add ``--serve`` and what goes with it."""
    group = parser.add_argument_group("page for a telephone (needs the extra: phone)")
    add = group.add_argument
    add(
        "--serve",
        nargs="?",
        type=address,
        const=_DEFAULT,
        metavar="ADDRESS:PORT",
        help="serve a page for the telephone, by default to this computer only "
        f"({_DEFAULT[0]}:{_DEFAULT[1]}); 0.0.0.0:{_DEFAULT[1]} for its networks",
    )
    add("--tls-cert", type=Path, metavar="FILE", help="certificate (PEM): serve by https")
    add("--tls-key", type=Path, metavar="FILE", help="the certificate's key, if in another file")
    add(
        "--pair-again",
        action="store_true",
        help="make a new pairing secret and forget every telephone",
    )


def address(text: str) -> tuple[str, int]:
    """Return the host and port of ``HOST:PORT``, ``[IPv6]:PORT``, ``HOST`` or ``:PORT``."""
    host, colon, port = text.rpartition(":")
    if not colon or text.endswith("]"):
        host, port = text, str(_DEFAULT[1])
    if not (port.isascii() and port.isdigit() and int(port) < 1 << 16):
        raise argparse.ArgumentTypeError(f"{text!r} is no address such as 192.168.4.1:8470")
    return host.strip("[]") or _DEFAULT[0], int(port)


def phone_screen(
    arguments: argparse.Namespace,
    desk: "CaptureDesk",
    board: BoardFile | None,
    limits: Sequence[Limit],
    tell: Callable[[str], None],
) -> "PhoneScreen | None":
    """Return what serves the page, or None where it was not asked for.

    Raises:
        SaglineError: the extra is not installed, or see :class:`~.server.PhoneScreen`.
    """
    if arguments.serve is None:
        for option in ("tls_cert", "tls_key", "pair_again"):
            if getattr(arguments, option):
                name = f"--{option.replace('_', '-')}"
                raise UsageError("goes with --serve only", where=name, remedy="add --serve")
        return None
    try:
        from .server import PhoneScreen, Serving
    except ModuleNotFoundError as problem:
        raise SaglineError(
            f"the package {problem.name} is not installed",
            where="--serve",
            remedy="install it with: pip install 'sagline[phone]'",
        ) from None
    host, port = arguments.serve
    serving = Serving(host, port, arguments.tls_cert, arguments.tls_key, arguments.pair_again)
    return PhoneScreen(desk, serving, arguments.out, board, limits, tell)
