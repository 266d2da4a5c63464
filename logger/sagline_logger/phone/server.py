"""The page's server: a thread and an event loop of its own beside the capture."""

import asyncio
import io
import ipaddress
import logging
import socket
import ssl
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import segno
from uvicorn import Config
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from ..capture.desk import CaptureDesk
from ..format import BoardFile, Limit, SaglineError
from ..format.debug_log import debug
from ..format.stop_flag import StopFlag
from .captures import Captures
from .gate import Gate
from .pairing import Pairing
from .report_maker import ReportMaker
from .site import Site
from .watcher import EVERY, Watcher

PAIRED = ".sagline-phones.json"
"""File in the directory of the logs that keeps the hashes of the secret and the cookies."""
_QUEUE = 64  # connections that the kernel holds until they are taken up
_MOST_HEAD = 16 * 1024  # bytes of a request's head


@dataclass(frozen=True)
class Serving:
    """Where the page is served: an address, a port (0 for any that is free), and TLS if given."""

    host: str = "127.0.0.1"
    port: int = 8470
    certificate: Path | None = None
    key: Path | None = None
    again: bool = False
    """Make a new secret, and forget every telephone."""


class PhoneScreen:
    """Serves the page of one desk.

    Raises:
        SaglineError: the address cannot be had, the certificate cannot be read, or who is paired
            cannot be kept.
    """

    def __init__(
        self,
        desk: CaptureDesk,
        serving: Serving,
        directory: Path,
        board: BoardFile | None = None,
        limits: Sequence[Limit] = (),
        tell: Callable[[str], None] = lambda line: None,
    ) -> None:
        self._tls = _tls(serving)
        self._listening = _listening(serving)
        host, self.port = self._listening.getsockname()[:2]
        self._pairing = Pairing.open(directory / PAIRED, serving.again)
        captures = Captures(directory)
        self._watcher = Watcher(desk, limits, captures)
        self._site = Site(
            desk,
            self._watcher,
            captures,
            self._pairing,
            ReportMaker(directory / "reports"),
            _names(host),
            self._tls is not None,
            board,
            tell,
        )
        self.url = f"{'https' if self._tls else 'http'}://{_reached(host)}:{self.port}/"
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="phone", daemon=True)
        self._main: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()

    def stop(self) -> None:
        """Serve no more; waits for the last requests for a moment only."""
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(lambda: self._main and self._main.cancel())
            self._thread.join(3.0)
        self._listening.close()

    def resting(self, ending: StopFlag) -> bool:
        """Wait while a telephone has stopped the capture; whether it then starts the next one.

        False at once where the capture ended by itself, and as soon as ``ending`` is set.
        """
        while self._site.stopped and not ending.wait(0.1):
            pass
        return self._site.restarted()

    @property
    def has_secret(self) -> bool:
        """Whether :meth:`invitation` will show a secret."""
        return bool(self._pairing.shown)

    def invitation(self) -> str:
        """Return where the page is, and once, where it was just made, the secret for pairing."""
        lines = [f"the page for a telephone is at {self.url}"]
        if secret := self._pairing.shown:
            drawn = io.StringIO()
            segno.make(f"{self.url}#{secret}", error="l").terminal(drawn, compact=True)
            lines += [
                f"to pair a telephone: the secret is {secret}, or the picture below; it is shown "
                "only this once (--pair-again makes another and forgets every telephone)",
                *drawn.getvalue().rstrip("\n").split("\n"),
            ]
            self._pairing.shown = ""
        return "\n".join(lines)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._main = self._loop.create_task(self._serve())
        try:
            self._loop.run_until_complete(self._main)
        except asyncio.CancelledError:
            pass
        except Exception as problem:  # the capture goes on without the page
            debug("the page for telephones ended", problem=problem)
            self._site.tell(f"the page for telephones ended ({problem})")
        finally:
            self._loop.close()

    async def _serve(self) -> None:
        for name in ("uvicorn", "uvicorn.error", "uvicorn.access"):
            logging.getLogger(name).disabled = True  # visitors' mistakes are no news here
        config = Config(
            self._site,
            http="h11",
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            timeout_keep_alive=10,
            h11_max_incomplete_event_size=_MOST_HEAD,
        )
        config.load()
        state = ServerState()
        gate = Gate(self._listening, lambda: H11Protocol(config, state, {}), self._tls)
        self._site.gate = gate
        looking = asyncio.create_task(self._look())
        try:
            await gate.run()
        finally:
            looking.cancel()

    async def _look(self) -> None:
        while True:
            self._watcher.look()
            await asyncio.sleep(EVERY)


def _listening(serving: Serving) -> socket.socket:
    where = f"{serving.host}:{serving.port}"
    try:
        found = socket.getaddrinfo(
            serving.host, serving.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )
        family, kind, protocol, _, address = found[0]
        listening = socket.socket(family, kind, protocol)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        listening.listen(_QUEUE)
        listening.setblocking(False)
    except (OSError, UnicodeError) as problem:
        reason = getattr(problem, "strerror", None) or problem
        raise SaglineError(
            f"cannot serve the page there ({reason})",
            where=f"--serve {where}",
            remedy="give an address of this computer and a port that is free",
        ) from None
    return listening


def _tls(serving: Serving) -> ssl.SSLContext | None:
    if serving.certificate is None:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(serving.certificate, serving.key)
    except (OSError, ValueError) as problem:
        raise SaglineError(
            f"no certificate that can be used ({problem})",
            where=str(serving.certificate),
            remedy="give a PEM file, and its key with --tls-key",
        ) from None
    return context


def _names(host: str) -> frozenset[str]:
    """Return this machine's names; on loopback only its own."""
    if ipaddress.ip_address(host).is_loopback:
        return frozenset({"localhost"})
    own = socket.gethostname().lower()
    return frozenset({own, own.split(".")[0], f"{own.split('.')[0]}.local"})


def _reached(host: str) -> str:
    """Return what a telephone calls an address: of several, the one towards other networks."""
    address = ipaddress.ip_address(host)
    if address.is_unspecified:
        family = socket.AF_INET6 if address.version == 6 else socket.AF_INET
        outward = "2001:db8::1" if address.version == 6 else "192.0.2.1"  # RFC 3849, RFC 5737
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            try:
                probe.connect((outward, 9))  # sends nothing
                address = ipaddress.ip_address(probe.getsockname()[0])
            except OSError:
                return f"{socket.gethostname().split('.')[0]}.local"
    return f"[{address}]" if address.version == 6 else str(address)
