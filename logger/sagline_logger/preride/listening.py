"""Listening to a source for a while and keeping all that was heard."""

import time
from dataclasses import dataclass

from ..capture.link_keeper import LinkKeeper, Phase
from ..capture.log_writer import instant
from ..capture.source import LinkLost, Source
from ..capture.translator import FRAMES, Translation
from ..format import (
    DeviceRecord,
    Piece,
    RecordError,
    SaglineError,
    VersionGate,
    device_record,
)
from ..format.progress import tell

_READ = 0.05  # s that one read waits


@dataclass(frozen=True)
class Hearing:
    """What came in.  ``records`` holds (s since the start of listening, record) pairs.

    ``foreign`` counts bytes that were no frame, lines that cannot be read not among them; nor is
    what came before the first sound frame, since a listener may join in the middle of one.
    ``refused`` says what frames broke the format's rules, record and field, each once.
    """

    source: str
    seconds: float
    received: int
    foreign: int
    link_losses: tuple[str, ...]
    records: tuple[tuple[float, DeviceRecord], ...]
    refused: tuple[str, ...] = ()


def listen(source: Source, seconds: float, translation: Translation = FRAMES) -> Hearing:
    """Listen for ``seconds``, or until the source ends for good.

    Raises:
        SaglineError: the source cannot be opened at all.
    """
    link = LinkKeeper(source)
    try:
        link.open()
    except LinkLost as problem:
        raise SaglineError(str(problem), remedy="check that the board is on and in reach") from None
    translator, gate = translation.make(), VersionGate()
    began = time.monotonic()
    records: list[tuple[float, DeviceRecord]] = []
    losses: list[str] = []
    refused: dict[str, None] = {}
    received = foreign = 0
    try:
        while (now := time.monotonic()) < began + seconds:
            tell("listening", now - began, seconds)
            if link.phase is Phase.RETRY:
                time.sleep(min(link.pause, began + seconds - now))
                link.try_again()
                continue
            try:
                data = link.read(_READ)
            except LinkLost as problem:
                losses.append(str(problem))
                link.broke()
                continue
            except EOFError:
                break
            at = time.monotonic() - began
            received += len(data)
            for piece in translator.feed(data, instant()) if data else ():
                if not isinstance(piece, Piece):
                    continue
                try:
                    record = device_record(piece.body, gate)
                except RecordError as problem:
                    refused[str(problem)] = None
                    continue
                if record is not None:
                    records.append((at, record))
                elif records:
                    foreign += len(piece.raw)
    finally:
        link.close()
    spent = time.monotonic() - began
    return Hearing(
        source.description, spent, received, foreign, tuple(losses), tuple(records), tuple(refused)
    )
