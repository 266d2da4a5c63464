"""The page's answers: who may ask for what, and nothing that any text could steer."""

import asyncio
import json
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route
from starlette.types import Message, Receive, Scope, Send

from ..capture.desk import CaptureDesk
from ..format import BoardFile, SaglineError
from ..format.errors import printable
from ..format.limits import MAX_TEXT
from .captures import Captures
from .check import checked
from .gate import Bucket, Gate
from .pairing import Pairing
from .report_maker import ReportMaker
from .watcher import Watcher

MOST_BODY = 2048
"""Bytes of a request's body."""
_BODY_WITHIN = 5.0  # s
_REQUESTS, _REQUEST_BURST = 15.0, 60.0  # of one address
_MARKS, _MARK_BURST = 2.0, 10.0  # of all telephones: a log is no place for a flood
_ADDRESSES = 500
_COOKIE = "sagline_phone"
_YEAR = 365 * 24 * 3600

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
)
_REPORT_POLICY = (
    "sandbox allow-scripts allow-downloads; default-src 'none'; script-src 'unsafe-inline' blob:; "
    "style-src 'unsafe-inline'; img-src data: blob:; worker-src blob:; frame-ancestors 'none'"
)
"""A report brings its scripts along.  In a sandbox of its own it can reach nothing of this page."""

_FILES = {
    "/": ("index.html", "text/html; charset=utf-8"),
    "/phone.css": ("phone.css", "text/css; charset=utf-8"),
    "/phone.js": ("phone.js", "text/javascript; charset=utf-8"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
    "/manifest.webmanifest": ("manifest.webmanifest", "application/manifest+json"),
}

Answering = Callable[["Site", Request], Awaitable[Response]]


class Refused(Exception):
    """A request that is not answered: its status, and why in one line."""

    def __init__(self, status: int, why: str) -> None:
        super().__init__(why)
        self.status, self.why = status, why


@dataclass
class Site:
    """All that the answers need; for one event loop."""

    desk: CaptureDesk
    watcher: Watcher
    captures: Captures
    pairing: Pairing
    reports: ReportMaker
    names: frozenset[str]
    """What a browser may call us beside our address, in lower case."""
    tls: bool
    board: BoardFile | None
    tell: Callable[[str], None]
    gate: Gate | None = None

    def __post_init__(self) -> None:
        self._asked: OrderedDict[str, Bucket] = OrderedDict()
        self._marks = Bucket(_MARKS, _MARK_BURST)
        self._checking = False
        self.stopped = False
        """Whether a telephone has stopped the capture, and none has started the next."""
        self._restarted = False
        self._pages = {
            path: files(__package__).joinpath("page", name).read_bytes()
            for path, (name, _) in _FILES.items()
        }
        self.app = Starlette(routes=_routes(self))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request (ASGI), within the bounds that hold for all."""
        if scope["type"] != "http":
            return
        peer = tuple(scope["client"]) if scope.get("client") else None

        async def sealed(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = {name for name, _ in message["headers"]}
                more = [*_HEADERS, (b"cache-control", b"no-store")]
                more.append((b"content-security-policy", _POLICY.encode()))
                message["headers"] = [
                    *message["headers"],
                    *(pair for pair in more if pair[0] not in given),
                ]
            await send(message)

        async def answer() -> None:
            try:
                wait = self._bucket(peer[0] if peer else "").take()
                if wait:
                    await asyncio.sleep(min(wait, 1.0))
                    raise Refused(429, "too many requests")
                self._admit(Request(scope))
            except Refused as refused:
                await _refusal(refused)(scope, receive, sealed)
                return
            await self.app(scope, receive, sealed)

        if self.gate is None:
            await answer()
        else:
            with self.gate.serving(peer):
                await answer()

    def _bucket(self, address: str) -> Bucket:
        bucket = self._asked.setdefault(address, Bucket(_REQUESTS, _REQUEST_BURST))
        self._asked.move_to_end(address)
        while len(self._asked) > _ADDRESSES:
            self._asked.popitem(last=False)
        return bucket

    def _admit(self, request: Request) -> None:
        """Refuse what another site's page, or another name for this machine, could send."""
        host = request.headers.get("host", "").lower()
        if not self._ours(host, request.scope.get("server")):
            raise Refused(421, "this logger does not go by that name")
        site = request.headers.get("sec-fetch-site", "same-origin")
        if request.method not in ("GET", "HEAD"):
            origin = request.headers.get("origin", "").lower()
            if origin != f"{'https' if self.tls else 'http'}://{host}":
                raise Refused(403, "asked from another page")
            if request.headers.get("content-type", "") != "application/json":
                raise Refused(415, "only JSON is taken")
        elif site not in ("same-origin", "none") and request.url.path != "/":
            raise Refused(403, "asked from another page")

    def _ours(self, host: str, local: tuple[str, int] | None) -> bool:
        """Whether ``host`` is one of our names, or the very address that was connected to: a name
        of someone else's that leads here must not do."""
        name, colon, port = host.rpartition(":") if not host.endswith("]") else (host, "", "")
        if not colon:
            name, port = host, "443" if self.tls else "80"
        if local is None or port != str(local[1]):
            return False
        return name in self.names or name.strip("[]") == local[0].lower()

    def paired(self, request: Request) -> bool:
        """Whether the request comes from a paired telephone."""
        token = request.cookies.get(_COOKIE, "")
        return bool(token) and self.pairing.knows(token)

    def restarted(self) -> bool:
        """Whether a telephone asked for another capture since this was last asked."""
        asked, self._restarted = self._restarted, False
        return asked

    def stop(self) -> None:
        """End the capture for as long as no telephone starts another."""
        self.stopped = True
        self.desk.stop("stopped from a telephone")

    def start(self) -> None:
        """Begin another capture."""
        if not self.stopped or self.desk.running:
            raise Refused(409, "a capture runs already")
        self._restarted = True
        self.stopped = False

    def mark(self, text: str) -> int:
        """Put a mark, at most a few a second."""
        if self._marks.take():
            raise Refused(429, "too many marks at once")
        return self.desk.mark(text)

    async def check(self, seconds: float) -> dict[str, Any]:
        """Run the pre-ride check on what the capture hears."""
        if self._checking:
            raise Refused(409, "a check is running")
        self._checking = True
        try:
            return await asyncio.to_thread(
                checked, self.desk.overhear(), seconds, self.board, self.captures.directory
            )
        finally:
            self._checking = False


def _refusal(refused: Refused) -> Response:
    return JSONResponse({"problem": refused.why}, refused.status, {"connection": "close"})


def _routes(site: Site) -> list[Route]:
    def route(path: str, answering: Answering, method: str = "GET", paired: bool = True) -> Route:
        async def answer(request: Request) -> Response:
            try:
                if paired and not site.paired(request):
                    raise Refused(401, "pair this telephone first")
                return await answering(site, request)
            except Refused as refused:
                return _refusal(refused)
            except SaglineError as problem:
                return JSONResponse({"problem": str(problem)}, 409)
            except ClientDisconnect:
                return Response(status_code=400)

        return Route(path, answer, methods=[method])

    return [
        *(route(path, _page, paired=False) for path in _FILES),
        route("/state", _state, paired=False),
        route("/pair", _pair, "POST", paired=False),
        route("/unpair", _unpair, "POST"),
        route("/mark", _mark, "POST"),
        route("/stop", _stop, "POST"),
        route("/start", _start, "POST"),
        route("/check", _check, "POST"),
        route("/report", _report, "POST"),
        route("/captures", _captures),
        route("/captures/{name}", _download),
        route("/reports/{name}", _read_report),
    ]


async def _page(site: Site, request: Request) -> Response:
    path = request.url.path
    return Response(site._pages[path], media_type=_FILES[path][1])


async def _state(site: Site, request: Request) -> Response:
    return JSONResponse(site.watcher.told(site.paired(request)))


async def _pair(site: Site, request: Request) -> Response:
    address = request.client.host if request.client else ""
    wait = site.pairing.wait(address)
    if wait:
        raise Refused(429, f"wait {wait:.0f} s before the next try")
    secret = _text(await _asked(request), "secret", 64)
    before = request.cookies.get(_COOKIE, "")
    token = await asyncio.to_thread(site.pairing.pair, secret, address, before)
    if not token:
        raise Refused(403, "that is not the secret")
    site.tell("a telephone was paired")
    response = JSONResponse({"paired": True})
    response.set_cookie(
        _COOKIE, token, max_age=_YEAR, httponly=True, samesite="strict", secure=site.tls
    )
    return response


async def _unpair(site: Site, request: Request) -> Response:
    site.pairing.forget(request.cookies.get(_COOKIE, ""))
    response = JSONResponse({"paired": False})
    response.delete_cookie(_COOKIE, httponly=True, samesite="strict", secure=site.tls)
    return response


async def _mark(site: Site, request: Request) -> Response:
    text = _text(await _asked(request), "text", MAX_TEXT)
    number = site.mark(printable(text))
    if not number:
        raise Refused(409, "nothing is being captured")
    return JSONResponse({"number": number})


async def _stop(site: Site, request: Request) -> Response:
    await _asked(request)
    if not site.desk.running:
        raise Refused(409, "no capture runs")
    site.stop()
    await asyncio.to_thread(site.desk.join, 10.0)
    return JSONResponse({"running": site.desk.running})


async def _start(site: Site, request: Request) -> Response:
    await _asked(request)
    site.start()
    return JSONResponse({"running": True})


async def _check(site: Site, request: Request) -> Response:
    await _asked(request)
    return JSONResponse(await site.check(10.0))


async def _captures(site: Site, request: Request) -> Response:
    listed = await asyncio.to_thread(site.captures.listed)
    now = time.monotonic()
    running = site.watcher.log if site.desk.running else ""
    return JSONResponse(
        {
            "reports": site.reports.installed,
            "captures": [
                {
                    "name": one.name,
                    "size": one.size,
                    "written": one.written,
                    "running": one.name == running,
                    "seconds": one.seconds,
                    "alarm": one.alarm,
                    "report": _making(site, one.name, now),
                }
                for one in listed[:500]
            ],
            "more": max(0, len(listed) - 500),
        }
    )


def _making(site: Site, name: str, now: float) -> dict[str, Any] | None:
    making = site.reports.made.get(name)
    if making is None:
        return None
    return {"done": making.done, "problem": making.problem, "seconds": making.seconds}


class AsItWas(FileResponse):
    """A file as long as it was when its length was told: a capture that is being written grows
    while it is sent, and a body longer than was told would be none at all."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        left = 0

        async def bounded(message: Message) -> None:
            nonlocal left
            if message["type"] == "http.response.start":
                left = int(dict(message["headers"]).get(b"content-length", 0))
            elif message["type"] == "http.response.body":
                body = message.get("body", b"")[:left]
                left -= len(body)
                message = {**message, "body": body}
            await send(message)

        await super().__call__(scope, receive, bounded)


async def _download(site: Site, request: Request) -> Response:
    path = await asyncio.to_thread(site.captures.find, request.path_params["name"])
    if path is None:
        raise Refused(404, "no such capture")
    return AsItWas(path, media_type="application/octet-stream", filename=path.name)


async def _report(site: Site, request: Request) -> Response:
    name = _text(await _asked(request), "name", 255)
    path = await asyncio.to_thread(site.captures.find, name)
    if path is None:
        raise Refused(404, "no such capture")
    if why := site.reports.begin(path):
        raise Refused(409, why)
    return JSONResponse({"begun": True})


async def _read_report(site: Site, request: Request) -> Response:
    page = site.reports.find(request.path_params["name"])
    if page is None or not page.is_file():
        raise Refused(404, "no such report")
    return FileResponse(
        page,
        media_type="text/html; charset=utf-8",
        headers={"content-security-policy": _REPORT_POLICY},
    )


async def _asked(request: Request) -> dict[str, Any]:
    """Return a request's JSON object, of bounded size and in bounded time."""
    body = bytearray()
    try:
        async with asyncio.timeout(_BODY_WITHIN):
            async for piece in request.stream():
                body += piece
                if len(body) > MOST_BODY:
                    raise Refused(413, f"more than {MOST_BODY} bytes")
    except TimeoutError:
        raise Refused(408, "the request did not end") from None
    try:
        asked = json.loads(bytes(body))
    except (ValueError, RecursionError):
        raise Refused(400, "that is no JSON") from None
    if not isinstance(asked, dict):
        raise Refused(400, "a JSON object is expected")
    return asked


def _text(asked: dict[str, Any], key: str, most: int) -> str:
    text = asked.get(key, "")
    if not isinstance(text, str) or len(text.encode("utf-8", "replace")) > most:
        raise Refused(400, f"{key} must be a text of at most {most} bytes")
    return text.encode("utf-8", "replace").decode()
