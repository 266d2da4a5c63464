"""``sagline-logger listen``: what comes, for a few seconds, and a first map of it."""

import argparse
import re
import time
from pathlib import Path

from ..capture.line_guess import HeardLine, tell_lines
from ..capture.link_keeper import LinkKeeper
from ..capture.source import LinkLost
from ..capture.sources import LIVE, add_source_arguments, choose_source, source_name
from ..format import (
    Board,
    DeviceReader,
    FrameSplitter,
    RecordError,
    SaglineError,
    Segment,
    VersionGate,
    device_record,
)
from ..format.arguments import positive_number
from ..format.byte_kinds import ByteKind, tell_bytes
from ..format.columns.guess import is_number
from ..format.counting import several
from ..format.errors import printable
from ..format.output import check_output, output
from ..format.progress import tell

_READ = 0.05  # s that one read waits
_MOST = 1 << 21
"""Bytes that are kept to be looked at."""
_SHOWN = 5  # lines
EXAMPLES = (
    "listen --serial /dev/ttyUSB0",
    "listen --serial /dev/ttyUSB0 --map map.toml",
)
_TEXTS = (ByteKind.TEXT, ByteKind.PARITY_TEXT)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    parser.description = (
        "Show for ten seconds what comes: frames, text, silence, noise as of a wrong speed. Of "
        "text it draws up a first map, with its guesses marked; read it, then: record --lines "
        "MAP.toml."
    )
    add_source_arguments(parser, LIVE)
    add = parser.add_argument
    add(
        "--seconds",
        type=positive_number,
        default=10.0,
        metavar="N",
        help="how long to listen (default %(default)g)",
    )
    add("--map", type=Path, metavar="FILE", help="write the map there (default: show it)")
    parser.epilog = "Exit status: 0 something was understood, 1 nothing was."


def run(arguments: argparse.Namespace) -> int:
    """Listen, tell, and return the exit status."""
    if arguments.map:
        check_output(arguments.map)
    source, _ = choose_source(arguments, LIVE)
    print(f"listening to {source.description} for {arguments.seconds:g} s", flush=True)
    chunks = _listen(LinkKeeper(source), arguments.seconds)
    data = b"".join(chunk for _, chunk in chunks)
    told = tell_bytes(data)
    rate = len(data) / arguments.seconds
    if told.kind is ByteKind.NOTHING:
        print(f"silence: nothing arrives; {source.advice.silent}")
        return 1
    if told.kind is ByteKind.FRAMES:
        print(f"{told.words}, {rate:.0f} bytes/s: record needs no map")
        print("\n".join(_boards(data)))
        return 0
    print(f"{told.words}; {rate:.0f} bytes/s")
    if told.kind not in _TEXTS:
        print(f"next: {source.advice.undecoded}")
        return 1
    lines = _lines(chunks)
    for line in lines[:_SHOWN]:
        print(f"  {printable(line.text)[:100]}")
    board = re.sub(r"\W+", "-", source_name(arguments).removeprefix("/dev/")).strip("-") or "board"
    guess = tell_lines(lines, board[:40])
    if guess is None:
        print("the lines have no form that a map can say: values, NAME=VALUE pairs or JSON objects")
        return 1
    print(f"{several(len(lines), 'line')}: {guess.words}")
    if arguments.map:
        with output(arguments.map) as file:
            file.write(guess.map.encode())
        print(
            f"a first map is in {arguments.map}: read it, mend what is marked GUESS, then: "
            f"record … --lines {arguments.map}"
        )
    else:
        print(f"a first map (--map FILE writes it):\n\n{guess.map}", end="")
    return 0


def _listen(link: LinkKeeper, seconds: float) -> list[tuple[float, bytes]]:
    """Return what comes within ``seconds``, with the time of each read, s."""
    try:
        link.open()
    except LinkLost as problem:
        raise SaglineError(str(problem), remedy="check that the board is on and in reach") from None
    chunks: list[tuple[float, bytes]] = []
    size, end = 0, time.monotonic() + seconds
    try:
        while time.monotonic() < end and size < _MOST:
            tell("listening", seconds - (end - time.monotonic()), seconds)
            data = link.read(_READ)
            if data:
                chunks.append((time.monotonic(), data))
                size += len(data)
    except LinkLost as problem:
        print(f"the link broke: {problem}")
    except EOFError:
        pass
    finally:
        link.close()
    return chunks


def _lines(chunks: list[tuple[float, bytes]]) -> list[HeardLine]:
    """Return the lines that came whole."""
    lines: list[HeardLine] = []
    held = b""
    for at, chunk in chunks:
        *whole, held = re.split(rb"[\r\n]", held + chunk)
        lines += [
            HeardLine(at, text)
            for raw in whole
            if (text := raw.decode("utf-8", "replace").removeprefix("\ufeff").strip())
        ]
    # The link may have been made in the middle of the first, but for titles of a board that began.
    titles = lines and not any(is_number(word, ".") for word in re.split(r"[,;|\s]", lines[0].text))
    return lines if titles else lines[1:]


def _boards(data: bytes) -> list[str]:
    """Return what the boards among frames say of themselves."""
    reader, gate = DeviceReader(), VersionGate()
    names: dict[str, None] = {}
    segments: list[Segment] = []
    refused: dict[str, None] = {}
    for piece in FrameSplitter().feed(data):
        try:
            record = device_record(piece.body, gate)
        except RecordError as problem:
            refused[f"  against the format's rules: {problem}"] = None
            continue
        if record is None:
            continue
        heard = reader.take(record)
        if not segments or segments[-1] is not heard.segment:
            segments.append(heard.segment)
        if isinstance(record, Board):
            names[f"  board {printable(record.name)}"] = None
    reader.settle()
    for segment in segments:
        for stream in segment.described.values():
            keys = ", ".join(channel.key for channel in stream.channels)
            names[f"  stream {printable(stream.name)}: {printable(keys)}"] = None
    told = [*names, *(printable(line) for line in list(refused)[:_SHOWN])]
    if not gate.device:
        told.append("  it speaks another version of the format: install a later Sagline")
    return told or ["  it has not described itself yet: listen for longer"]
