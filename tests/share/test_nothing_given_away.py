"""A secret in every place of a log: none in any shared file, however it is packed there."""

import base64
import binascii
import io
import re
import zlib
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest

from sagline_analyser.load import load_ride
from sagline_analyser.share.choose import choose, window_around
from sagline_analyser.share.keep import KEEP, Account
from sagline_analyser.share.page import page_parts
from sagline_analyser.share.picture import draw
from sagline_analyser.share.shared import shared
from sagline_analyser.share.svg import as_svg
from sagline_analyser.share.window_log import window_log
from sagline_logger.format import (
    Board,
    FrameSplitter,
    Samples,
    Stream,
    decode_record,
    is_host_kind,
    open_log,
    read_log,
)
from support.shared_logs import (
    ASKED,
    BOOTS,
    CLOCK,
    MONOTONIC,
    NEVER,
    PAYLOAD,
    PLACE,
    SEQUENCE,
    WALL,
    planted,
)

STANDARD = {"battery_current", "pack_voltage", "throttle", "motor_temperature", "cell_voltage"}
COORDINATES = {
    **{f"{name} in bytes": raw.to_bytes(4, "little") for name, (_, _, raw) in PLACE.items()},
    **{
        f"{name} in digits": f"{raw * 10.0**exponent:.3f}".encode()
        for name, (_, exponent, raw) in PLACE.items()
    },
}
"""What would tell the place: each coordinate as sent, and as a text would show it."""
RUNS = re.compile(rb"[A-Za-z0-9+/]{16,}={0,2}")


def layers(data: bytes, depth: int = 0) -> Iterator[bytes]:
    """Yield ``data`` and all that is packed in it: base64, deflate in its three wrappings, PNG
    chunks, and the bodies of frames."""
    yield data
    if depth > 4:
        return
    for run in RUNS.findall(data):
        try:
            plain = base64.b64decode(run, validate=True)
        except binascii.Error:
            continue
        if len(run) > 64 or plain.isascii():
            yield from layers(plain, depth + 1)
    if data[:2] in (b"\x1f\x8b", b"\x78\x01", b"\x78\x5e", b"\x78\x9c", b"\x78\xda"):
        yield from layers(zlib.decompressobj(47).decompress(data), depth + 1)
    if data.startswith(b"\x89PNG"):
        at, pixels = 8, b""
        while at < len(data):
            size, kind = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
            assert kind in (b"IHDR", b"PLTE", b"IDAT", b"IEND"), f"a chunk of {kind!r}"
            pixels += data[at + 8 : at + 8 + size] if kind == b"IDAT" else b""
            at += 12 + size
        yield zlib.decompress(pixels)
    bodies = [piece.body for piece in FrameSplitter().feed(data) if piece.body]
    yield from bodies


def found(data: bytes, secrets: dict[str, bytes]) -> set[str]:
    """Return which secrets show in any layer, whatever the case of the letters."""
    seen: set[str] = set()
    for layer in layers(data):
        lower = layer.lower()
        seen |= {name for name, secret in secrets.items() if secret.lower() in lower}
    return seen


def secrets() -> dict[str, bytes]:
    texts = {place: planted(place)[:15].encode() for place in (*ASKED, *NEVER, "channel", "unit")}
    return texts | {
        "folder": b"SecretFolder",
        "file name": b"SecretName",
        "float's bits": PAYLOAD,
        **COORDINATES,
        "wall clock in s": str(WALL // 1_000_000)[:7].encode(),
        "day": b"2026-05-",
        "wall clock": WALL.to_bytes(8, "little")[4:],
        "host clock": MONOTONIC.to_bytes(8, "little")[4:],
    }


def test_nothing_planted_is_in_any_file(log: Path, folder: Path) -> None:
    planted_there = found(log.read_bytes(), secrets())
    assert planted_there >= {*ASKED, *NEVER, "channel", "unit", "float's bits", "wall clock"}
    assert planted_there >= {f"{name} in bytes" for name in PLACE}
    for name in ("page.html", "still.svg", "still.png"):
        assert found((folder / name).read_bytes(), secrets()) == set(), name


def test_the_command_said_what_it_left_out(folder: Path) -> None:
    said = (folder / "said.txt").read_text()
    left = said.index("left out:")
    for choice in {*ASKED.values(), "date", "position", "other-channels"}:
        assert f"(--keep {choice})" in said[left:]
    assert said.index("kept:") < left < said.index("page.html")


def test_each_is_there_once_asked_for_and_the_page_says_so(log: Path) -> None:
    """Also proves that the search above finds what is there."""
    ride = load_ride(log)
    window = window_around(ride, choose(ride))

    def given(*choices: str) -> set[str]:
        account = Account(frozenset(choices))
        return found(window_log(ride, window, account, ride.board_file), secrets())

    by_choice = {choice: given(choice) for choice in KEEP}
    for place, choice in ASKED.items():
        assert [c for c, seen in by_choice.items() if place in seen] == [choice], place
    assert "wall clock" in by_choice["date"] and given() == set()
    assert "channel" in given("labels", "other-channels")
    everything = frozenset(KEEP)
    share = shared(ride, choose(ride), window, everything, ride.board_file)
    page = "".join(page_parts(share))
    words, _, _ = page.partition('<script type="application/json"')
    for text in KEEP.values():
        assert text in unescape(words)
    seen = found(page.encode() + as_svg(draw(share)).encode(), secrets())
    assert seen >= {*ASKED, "channel", "wall clock in s"}
    never = seen & {*NEVER, "folder", "file name", "float's bits", "host clock"}
    assert never == set(), never


def test_a_place_is_a_choice_of_its_own(log: Path) -> None:
    ride = load_ride(log)
    window = window_around(ride, choose(ride))

    def channels(*choices: str) -> set[str]:
        data = window_log(ride, window, Account(frozenset(choices)), None)
        records = (entry.record for entry in read_log(io.BytesIO(data)))
        return {c.name for r in records if isinstance(r, Stream) for c in r.channels} - STANDARD

    assert channels() == channels("labels") == set()
    assert channels("position") == {*PLACE, "channel_1"}
    assert channels("other-channels") == {"channel_2"}
    assert channels("position", "labels") == {*PLACE, "northing"}
    kept = window_log(ride, window, Account(frozenset({"position"})), None)
    assert found(kept, COORDINATES) >= {f"{name} in bytes" for name in PLACE}


def test_numbers_begin_afresh(folder: Path) -> None:
    with open_log(folder / "page.html") as file:
        data = file.read()
    records = [e.record for e in read_log(io.BytesIO(data))]
    assert None not in records
    boots = {record.boot for record in records if isinstance(record, Board)}
    assert boots == {1, 2} and not boots & set(BOOTS)
    samples = [record for record in records if isinstance(record, Samples)]
    assert samples[0].sequence == 0
    assert all(s.sequence < 5000 < SEQUENCE and s.clock < 60_000_000 < CLOCK for s in samples)
    for record in records:
        at = getattr(record, "at", None)
        if at is not None:
            assert 0 <= at.monotonic <= 60_000_000 and 0 <= at.wall < 60_000_000
    kinds = {type(record).__name__ for record in records}
    assert not kinds & {"Foreign", "Dropped", "Unknown"}
    assert all(
        is_host_kind(p.body) or decode_record(p.body).encode() == p.body
        for p in FrameSplitter().feed(data)
        if p.body
    )


@pytest.mark.parametrize("choice", ["labels", "settings", "notes"])
def test_a_choice_that_does_not_exist_is_refused(log: Path, tmp_path: Path, choice: str) -> None:
    from share.conftest import command

    done = command("share", log, "-o", tmp_path / "x.html", "--keep", choice + "s")
    assert done.returncode == 2 and not (tmp_path / "x.html").exists()
