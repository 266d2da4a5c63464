"""Who may do what at the page's door: each attack of the list, by a real visitor."""

import asyncio
import contextlib
import http.client
import json
import socket
import ssl
import subprocess
import threading
import time
from pathlib import Path

import pytest
from starlette.types import Message

from phone.conftest import Serve, Serving, Telephone
from sagline_logger.format import Mark, read_log
from sagline_logger.phone.site import AsItWas
from support.capture import command, wait_until
from support.logs import log_bytes
from support.logs import time as record_time

CHANGES = ("/mark", "/stop", "/start", "/check", "/report", "/unpair")


def marks(serving: Serving) -> list[Mark]:
    (log,) = serving.directory.glob("*.sagline")
    with log.open("rb") as file:
        return [entry.record for entry in read_log(file) if isinstance(entry.record, Mark)]


def test_without_the_secret_nothing_changes_and_no_name_is_told(serve: Serve) -> None:
    serving = serve()
    visitor = serving.telephone()
    for path in CHANGES:
        assert visitor.post(path, {"text": "x"})[0] == 401, path
    for path in ("/captures", "/captures/a.sagline", "/reports/a.sagline"):
        assert visitor.get(path)[0] == 401, path
    status, state = visitor.get("/state")
    assert status == 200 and state["paired"] is False
    told = json.dumps(state)
    assert "Kestrel" not in told and ".sagline" not in told
    assert serving.process.poll() is None and not marks(serving)
    known = serving.paired()
    wait_until(lambda: known.state()["board"] == "Kestrel", 0.1)


def test_a_wrong_secret_is_slowed_and_never_let_in(serve: Serve) -> None:
    serving = serve()
    visitor = serving.telephone()
    assert visitor.post("/pair", {"secret": "0000-0000-0000-0000"})[0] == 403
    status, said = visitor.post("/pair", {"secret": serving.secret})
    assert status == 429 and "wait" in said["problem"]  # even the right one, for a second
    assert not visitor.cookie
    time.sleep(1.1)
    assert visitor.post("/pair", {"secret": "1111-1111-1111-1111"})[0] == 403
    time.sleep(1.1)
    assert visitor.post("/pair", {"secret": serving.secret})[0] == 429  # doubled by now
    time.sleep(1.1)
    typed = serving.secret.lower().replace("-", " ")
    assert visitor.post("/pair", {"secret": typed})[0] == 200
    kept = (serving.directory / ".sagline-phones.json").read_text()
    assert serving.secret.replace("-", "") not in kept and serving.secret not in kept
    assert visitor.cookie.partition("=")[2] not in kept
    assert (serving.directory / ".sagline-phones.json").stat().st_mode & 0o077 == 0


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(serve: Serve) -> None:
    visitor = serve().paired()
    given = visitor.headers["set-cookie"].lower()
    assert "httponly" in given and "samesite=strict" in given and "path=/" in given


def test_a_stolen_cookie_ends_with_the_next_pairing(serve: Serve) -> None:
    serving = serve()
    visitor = serving.paired()
    stolen = Telephone(serving, visitor.cookie)
    assert stolen.get("/captures")[0] == 200
    assert visitor.post("/pair", {"secret": serving.secret})[0] == 200
    assert visitor.get("/captures")[0] == 200 and stolen.get("/captures")[0] == 401


def test_the_secret_is_shown_once_and_a_new_one_forgets_every_telephone(serve: Serve) -> None:
    first = serve()
    visitor = first.paired()
    first.process.terminate()
    first.process.wait(30)
    second = serve()
    assert not second.secret and "the secret is" not in second.said
    same = Telephone(second, visitor.cookie)
    assert same.get("/captures")[0] == 200
    second.process.terminate()
    second.process.wait(30)
    third = serve(None, "--pair-again")
    assert third.secret and third.secret != first.secret
    assert Telephone(third, visitor.cookie).get("/captures")[0] == 401
    assert third.telephone().post("/pair", {"secret": first.secret})[0] == 403


def test_another_sites_page_can_send_nothing(serve: Serve) -> None:
    serving = serve()
    visitor = serving.paired()
    form = b"text=planted"
    for headers in (
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": f"http://127.0.0.1:{serving.port + 1}"},
        {"Origin": f"https://127.0.0.1:{serving.port}"},
    ):
        assert visitor.post("/mark", {"text": "planted"}, **headers)[0] == 403, headers
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    assert visitor.post("/mark", form, **kind)[0] == 415
    assert visitor.post("/mark", form, **{"Content-Type": "text/plain"})[0] == 415
    assert visitor.ask("POST", "/mark", b"{}", {"Content-Type": "application/json"})[0] == 403
    assert visitor.get("/state", **{"Sec-Fetch-Site": "cross-site"})[0] == 403
    assert not marks(serving)


def test_a_name_that_leads_here_is_not_ours(serve: Serve) -> None:
    """DNS rebinding: the visitor's browser believes that a hostile name is this address."""
    serving = serve()
    visitor = serving.paired()
    for host in (
        "evil.example",
        f"evil.example:{serving.port}",
        f"127.0.0.2:{serving.port}",
        f"localhost.evil.example:{serving.port}",
        "127.0.0.1",
        "",
    ):
        assert visitor.get("/state", Host=host)[0] in (400, 421), host
        assert visitor.post("/mark", {}, Host=host, Origin=f"http://{host}")[0] in (400, 421)
    assert visitor.get("/state", Host=f"localhost:{serving.port}")[0] == 200
    assert not marks(serving)


def test_no_name_of_a_log_reaches_another_file(serve: Serve) -> None:
    serving = serve()
    visitor = serving.paired()
    wait_until(lambda: any(serving.directory.glob("*kestrel.sagline")))  # it has its last name
    (serving.directory.parent / "outside.sagline").write_text("private")
    (serving.directory / "link.sagline").symlink_to("/etc/passwd")
    (serving.directory / "below").mkdir()
    (serving.directory / "below" / "deep.sagline").write_text("private")
    for name in (
        "../outside.sagline",
        "..%2Foutside.sagline",
        "%2e%2e%2foutside.sagline",
        "%2Fetc%2Fpasswd",
        "link.sagline",
        ".sagline-phones.json",
        "below%2Fdeep.sagline",
        "..%5Coutside.sagline",
        "%00",
        "a" * 300,
        "below/deep.sagline",
        ".",
    ):
        for room in ("captures", "reports"):
            status, got = visitor.get(f"/{room}/{name}")
            assert status == 404, (room, name)
            assert b"private" not in (got if isinstance(got, bytes) else json.dumps(got).encode())
    for name in ("../outside.sagline", "link.sagline", "/etc/passwd", "x" * 3000, 7, None):
        assert visitor.post("/report", {"name": name})[0] in (400, 404, 413), name
    names = [one["name"] for one in visitor.get("/captures")[1]["captures"] if one["size"] > 99]
    assert len(names) == 1 and names[0].startswith("20")
    status, got = visitor.get(f"/captures/{names[0]}")
    assert status == 200 and (serving.directory / names[0]).read_bytes().startswith(got[:1000])


def test_marks_by_the_hundred_thousand_stay_few(serve: Serve) -> None:
    serving = serve()
    visitor = serving.paired()
    told: dict[int, int] = {}
    began = time.monotonic()
    lock = threading.Lock()

    def press() -> None:
        mine = Telephone(serving, visitor.cookie)
        while time.monotonic() - began < 4:
            with contextlib.suppress(OSError):
                status, _ = mine.post("/mark", {"text": "again"})
                with lock:
                    told[status] = told.get(status, 0) + 1

    pressing = [threading.Thread(target=press) for _ in range(4)]
    for one in pressing:
        one.start()
    for one in pressing:
        one.join()
    assert told[429] > 0 and 10 <= told[200] <= 10 + 2 * 6
    wait_until(lambda: len(marks(serving)) >= told[200])
    assert len(marks(serving)) == told[200]


def test_two_telephones_mark_at_once(serve: Serve) -> None:
    serving = serve()
    two = [serving.paired(), serving.paired()]
    said: list[tuple[int, dict[str, int]]] = []
    at_once = threading.Barrier(2)

    def press(visitor: Telephone, text: str) -> None:
        at_once.wait()
        said.append(visitor.post("/mark", {"text": text}))

    pressing = [
        threading.Thread(target=press, args=pair) for pair in zip(two, ("a", "b"), strict=True)
    ]
    for one in pressing:
        one.start()
    for one in pressing:
        one.join()
    assert sorted(status for status, _ in said) == [200, 200]
    wait_until(lambda: len(marks(serving)) == 2)
    assert {mark.text for mark in marks(serving)} == {"a", "b"}
    assert sorted(mark.number for mark in marks(serving)) == [1, 2]


def test_a_body_without_end_and_a_head_without_end_are_cut(serve: Serve) -> None:
    serving = serve()
    visitor = serving.paired()
    assert visitor.post("/mark", b'{"text": "' + b"x" * 5000 + b'"}')[0] == 413
    assert visitor.post("/mark", {"text": "x" * 1500})[0] == 400
    assert visitor.post("/mark", b"[" * 1500)[0] == 400
    assert visitor.post("/mark", b"7")[0] == 400
    head = (
        f"POST /mark HTTP/1.1\r\nHost: 127.0.0.1:{serving.port}\r\n"
        f"Origin: http://127.0.0.1:{serving.port}\r\nCookie: {visitor.cookie}\r\n"
        "Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n"
    )
    for start, more in (
        (head, "400\r\n" + "x" * 1024 + "\r\n"),
        ("GET / HTTP/1.1\r\n", "X: y\r\n"),
    ):
        with socket.create_connection(("127.0.0.1", serving.port), timeout=30) as one:
            one.sendall(start.encode())
            with contextlib.suppress(OSError):
                for _ in range(100_000):
                    one.sendall(more.encode())
                raise AssertionError("it took 100,000 pieces")
    with socket.create_connection(("127.0.0.1", serving.port), timeout=30) as one:
        one.sendall(head.encode() + b"1\r\n{\r\n")  # and then nothing
        assert b" 408 " in one.recv(4096)
    assert visitor.get("/state")[0] == 200 and not marks(serving)


def test_a_thousand_half_open_connections_keep_nobody_out(serve: Serve) -> None:
    serving = serve()
    visitor = serving.paired()
    held = []
    try:
        for _ in range(1000):
            one = socket.socket()
            one.setblocking(False)
            one.connect_ex(("127.0.0.1", serving.port))
            with contextlib.suppress(OSError):
                one.send(b"GET / HT")
            held.append(one)
        until = time.monotonic() + 60
        status = 0
        while status != 200:  # as a browser tries again
            assert time.monotonic() < until
            with contextlib.suppress(OSError, http.client.HTTPException):
                status, _ = visitor.post("/mark", {"text": "still here"})
    finally:
        for one in held:
            one.close()
    wait_until(lambda: len(marks(serving)) >= 1)
    assert serving.process.poll() is None


@pytest.fixture
def certificate(tmp_path: Path) -> tuple[Path, Path]:
    """A certificate for 127.0.0.1 and its key, as the docs tell to make one."""
    key, made = tmp_path / "key.pem", tmp_path / "cert.pem"
    subprocess.run(
        [
            "openssl",
            "req",
            "-x509",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:prime256v1",
            "-nodes",
            "-days",
            "2",
            "-subj",
            "/CN=logger",
            "-addext",
            "subjectAltName=IP:127.0.0.1",
            "-keyout",
            key,
            "-out",
            made,
        ],
        check=True,
        capture_output=True,
    )
    return made, key


def test_tls_with_the_builders_certificate(serve: Serve, certificate: tuple[Path, Path]) -> None:
    made, key = certificate
    serving = serve(None, "--tls-cert", str(made), "--tls-key", str(key), wait=False)
    serving.wait()
    assert "at https://" in serving.said
    trusting = ssl.create_default_context(cafile=str(made))
    with contextlib.closing(
        http.client.HTTPSConnection("127.0.0.1", serving.port, context=trusting, timeout=60)
    ) as one:
        one.request(
            "POST",
            "/pair",
            json.dumps({"secret": serving.secret}),
            {"Content-Type": "application/json", "Origin": f"https://127.0.0.1:{serving.port}"},
        )
        answer = one.getresponse()
        assert answer.status == 200 and "; secure" in answer.getheader("set-cookie", "").lower()
    with socket.create_connection(("127.0.0.1", serving.port), timeout=60) as plain:
        plain.sendall(f"GET /state HTTP/1.1\r\nHost: 127.0.0.1:{serving.port}\r\n\r\n".encode())
        assert b"capturing" not in plain.recv(4096)


def test_what_cannot_be_served_is_one_line(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        base = ("record", "--serial", tmp_path / "none", "--out", tmp_path, "--quiet")
        for options, words in (
            (("--serve", f"127.0.0.1:{port}"), "cannot serve the page there"),
            (("--serve", "203.0.113.9:0"), "cannot serve the page there"),
            (("--serve", "127.0.0.1:0", "--tls-cert", tmp_path / "no.pem"), "no certificate"),
            (("--pair-again",), "goes with --serve only"),
        ):
            status, _, said = command(*base, *options)
            assert len(said) == 1 and words in said[0], said
            assert status == (2 if "goes with" in words else 1)
    assert command(*base, "--serve", "127.0.0.1:99999")[0] == 2


def test_a_capture_made_without_the_page_tells_its_length(serve: Serve) -> None:
    serving = serve()
    visitor = serving.paired()
    older = log_bytes([record_time(1_000_000), record_time(91_000_000)], end=False)
    (serving.directory / "older.sagline").write_bytes(older)
    (serving.directory / "nothing.sagline").write_bytes(b"")
    listed = {one["name"]: one for one in visitor.get("/captures")[1]["captures"]}
    assert listed["older.sagline"]["seconds"] == 91 and listed["older.sagline"]["alarm"] is None
    assert listed["nothing.sagline"]["seconds"] is None


def test_a_capture_that_grows_while_it_is_sent_is_sent_as_long_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "kestrel.sagline"
    path.write_bytes(b"a" * 100_000)
    answer = AsItWas(path, stat_result=path.stat())
    path.write_bytes(b"a" * 200_000)
    sent: list[Message] = []

    async def receive() -> Message:
        await asyncio.sleep(60)
        return {"type": "http.disconnect"}

    async def send(message: Message) -> None:
        sent.append(message)

    scope = {"type": "http", "method": "GET", "headers": [], "extensions": {}}
    asyncio.run(answer(scope, receive, send))
    assert dict(sent[0]["headers"])[b"content-length"] == b"100000"
    assert b"".join(one["body"] for one in sent[1:]) == b"a" * 100_000
    assert sent[-1]["more_body"] is False
