"""Segments, repeats and descriptions as the numbers and clocks of a log tell them.

While a log is read, a segment ends where a boot number changes.  Where the numbers of one boot
number do not simply go on, its records are followed one by one with the format's own
:class:`Numbers` (protocol_docs/frame_format.md §5.7), and the tables are cut anew.
"""

from bisect import bisect
from collections import defaultdict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass, field, replace
from operator import itemgetter

import numpy as np
import numpy.typing as npt

from sagline_logger.format import EVENTS, Numbers, Stream, Verdict

from .frames import Places
from .tables import Chunk, Key, Tables

REVISIONS = 256
"""What a key's revision counts up with each new description of that revision."""


@dataclass
class Told:
    """What :func:`settle` found.  ``plain`` means that the tables are as they were read."""

    plain: bool = True
    repeated: int = 0
    went_back: int = 0
    same_number: int = 0
    """Segments told from the one before by numbers and clock alone."""
    unheard: int = 0
    contradicted: set[str] = field(default_factory=set)
    """Names of streams that were described in two ways under one revision."""


def settle(tables: Tables) -> tuple[Tables, Told]:
    """Return the tables by the segments and descriptions that hold, and what that told."""
    told = Told()
    odd = _odd(tables)
    if odd:
        told.plain = False
        tables = _cut(tables, odd, told)
    tables = _describe(tables, told)
    told.unheard = _unheard(tables)
    return tables, told


def by_counter(tables: Tables) -> dict[tuple[int, int], list[Key]]:
    """Return the keys of each (segment, stream), in the order in which they first came."""
    runs: defaultdict[tuple[int, int], list[Key]] = defaultdict(list)
    for key in sorted(tables.samples, key=lambda key: int(tables.samples[key].offset[0])):
        runs[key.segment, key.stream].append(key)
    return dict(sorted(runs.items()))


def joined(tables: Tables, keys: list[Key]) -> tuple[npt.NDArray[np.intp], Chunk]:
    """Return the records of some keys in the order of the file, and where each stood before.

    Their samples are left out.
    """
    chunks = [tables.samples[key] for key in keys]
    if len(chunks) == 1:
        return np.arange(chunks[0].offset.size), replace(chunks[0], packed=[])
    whole = Chunk.join(chunks)
    order = np.argsort(whole.offset, kind="stable")
    return order, Chunk(
        whole.offset[order], whole.sequence[order], whole.clock[order], whole.count[order], []
    )


def steps(
    sequence: npt.NDArray[np.uint32], count: npt.NDArray[np.unsignedinteger]
) -> npt.NDArray[np.int64]:
    """Return how many numbers are missing before each record but the first; below 0: went back."""
    step = np.diff(sequence) - count[:-1].astype(np.uint32)  # modulo 2^32
    return step.view(np.int32).astype(np.int64)


def _odd(tables: Tables) -> set[int]:
    """Return the segments in which a number does not simply go on."""
    found = set()
    for (segment, _), keys in by_counter(tables).items():
        _, chunk = joined(tables, keys)
        if (steps(chunk.sequence, chunk.count) < 0).any():
            found.add(segment)
    events: defaultdict[int, list[int]] = defaultdict(list)
    for _, segment, event in tables.events:
        events[segment].append(event.sequence)
    for segment, numbers in events.items():
        if (steps(np.array(numbers, np.uint32), np.ones(len(numbers), np.uint8)) < 0).any():
            found.add(segment)
    return found | _fallen(tables)


def _fallen(tables: Tables) -> set[int]:
    """Return the segments in which a BOARD's clock may have fallen before anything was numbered."""
    boards = tables.boards
    step = np.diff(boards["clock"].astype(np.uint32)).view(np.int32)
    fell = (np.diff(boards["clock"]) < 0) | (step < 0)
    fell &= np.diff(boards["segment"]) == 0
    if not fell.any():
        return set()
    first = dict.fromkeys(boards["segment"][1:][fell].tolist(), np.inf)
    for key, chunk in tables.samples.items():
        if key.segment in first:
            first[key.segment] = min(first[key.segment], float(chunk.offset[0]))
    for at, segment, _ in tables.events:
        if segment in first:
            first[segment] = min(first[segment], float(at))
    places, own = boards["offset"][1:][fell].tolist(), boards["segment"][1:][fell].tolist()
    return {segment for at, segment in zip(places, own, strict=True) if at < first[segment]}


_BOARD, _SAMPLES, _EVENT = range(3)


def _cut(tables: Tables, odd: set[int], told: Told) -> Tables:
    """Cut the odd segments where a start is found, and leave out what came twice."""
    gone: list[int] = []
    cuts: dict[int, list[int]] = {}
    for segment in sorted(odd):
        cuts[segment] = _follow(tables, segment, gone, told)
    told.repeated = len(gone)
    twice = np.array(sorted(gone), np.intp)
    # The number that each old segment's first part gets; the others follow on it.
    first = np.cumsum([0] + [1 + len(cuts.get(s, ())) for s in range(len(tables.boots))])

    def placed(offset: Places, segment: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        new = first[segment]
        for old in set(np.unique(segment).tolist()) & cuts.keys():
            own = segment == old
            new[own] += np.searchsorted(cuts[old], offset[own], "right")
        return new

    samples: defaultdict[Key, list[Chunk]] = defaultdict(list)
    for key, chunk in tables.samples.items():
        if key.segment not in odd:
            samples[key._replace(segment=int(first[key.segment]))].append(chunk)
            continue
        kept = ~np.isin(chunk.offset, twice)
        part = np.searchsorted(cuts[key.segment], chunk.offset, "right")
        for number in np.unique(part[kept]).tolist():
            moved = key._replace(segment=int(first[key.segment]) + number)
            samples[moved].append(chunk.only(kept & (part == number)))
    boards = tables.boards.copy()
    boards["segment"] = placed(boards["offset"], boards["segment"])
    events = [
        (at, int(first[s]) + bisect(cuts.get(s, ()), at), event)
        for at, s, event in tables.events
        if not (s in odd and at in set(gone))
    ]
    boots: list[int] = []
    captures: list[int] = []
    for old, (boot, capture) in enumerate(zip(tables.boots, tables.capture_of, strict=True)):
        parts = 1 + len(cuts.get(old, ()))
        told.same_number += parts - 1
        boots += [boot] * parts
        captures += [capture] * parts
    return replace(
        tables,
        samples={key: Chunk.join(chunks) for key, chunks in samples.items()},
        boots=boots,
        capture_of=captures,
        boards=boards,
        spoken=[(stream, at, placed(at, s)) for stream, at, s in tables.spoken],
        events=events,
        strays=np.concatenate([tables.strays, twice]),
    )


def _follow(tables: Tables, segment: int, gone: list[int], told: Told) -> list[int]:
    """Follow one segment's records; return where others begin in it, and add to ``gone`` the
    places of what came twice."""
    records: list[tuple[int, int, tuple[int, ...], Hashable]] = []
    for board in tables.boards[tables.boards["segment"] == segment].tolist():
        records.append((board[0], _BOARD, (0, 0, 0, board[2]), None))
    for key, chunk in tables.samples.items():
        if key.segment == segment:
            header = zip(
                chunk.offset.tolist(),
                chunk.sequence.tolist(),
                chunk.count.tolist(),
                chunk.clock.tolist(),
                _contents(key, chunk),
                strict=True,
            )
            for at, sequence, count, clock, packed in header:
                told_by = (key.stream, sequence, count, clock)
                records.append((at, _SAMPLES, told_by, (key.revision, packed)))
    for at, own, event in tables.events:
        if own == segment:
            records.append((at, _EVENT, (EVENTS, event.sequence, 1, event.clock), event))
    records.sort(key=itemgetter(0))
    instants = tables.instants
    capture = tables.capture_of[segment]
    begin = ([-1, *tables.starts])[capture]
    hosts = np.searchsorted(instants["offset"], [at for at, *_ in records]) - 1
    numbers = Numbers()
    cuts: list[int] = []
    front: int | None = None
    for (at, kind, (counter, sequence, count, clock), content), host in zip(
        records, hosts.tolist(), strict=True
    ):
        known = host >= 0 and instants["offset"][host] >= begin
        numbers.host = int(instants["monotonic"][host]) if known else None
        if kind == _BOARD:
            front = at
            if numbers.begins_anew(clock):
                cuts.append(at)
                numbers = Numbers()
                numbers.host = int(instants["monotonic"][host]) if known else None
            numbers.board(clock)
            continue
        whole = (counter, sequence, count, clock, content)
        verdict = numbers.follow(counter, sequence, count, clock, whole)
        if verdict is Verdict.REPEATED:
            gone.append(at)
            continue
        if verdict is Verdict.RESTARTED:
            cuts.append(at if front is None else front)
            numbers = Numbers()
            numbers.host = int(instants["monotonic"][host]) if known else None
            numbers.follow(counter, sequence, count, clock, whole)
        told.went_back += verdict is Verdict.WENT_BACK
        front = None
    return cuts


def _contents(key: Key, chunk: Chunk) -> Iterable[bytes]:
    """Yield the packed bytes of every record."""
    for piece in chunk.packed:
        size = piece.count * (key.row or 1)
        spans = map(slice, piece.start.tolist(), (piece.start + size).tolist())
        yield from map(bytes, map(piece.data.data.__getitem__, spans))


def _describe(tables: Tables, told: Told) -> Tables:
    """Give every revision's descriptions their samples (frame_format.md §5.8)."""
    said: defaultdict[tuple[int, int, int], dict[Stream, None]] = defaultdict(dict)
    for stream, _, segments in tables.spoken:
        for segment in np.unique(segments).tolist():
            said[segment, stream.stream, stream.revision][stream] = None
    described = {own: next(iter(streams)) for own, streams in said.items() if len(streams) == 1}
    several = {own for own, streams in said.items() if len(streams) > 1}
    if not several:
        return replace(tables, described=_in_order(tables, described))
    told.plain = False
    order: defaultdict[tuple[int, int], list[tuple[int, Stream]]] = defaultdict(list)
    changing = {own[:2] for own in several}
    for stream, places, segments in tables.spoken:
        for at, segment in zip(places.tolist(), segments.tolist(), strict=True):
            if (segment, stream.stream) in changing:
                order[segment, stream.stream].append((at, stream))
    changes: dict[tuple[int, int, int], list[int]] = {own: [] for own in several}
    for (segment, number), streams in order.items():
        held: dict[int, Stream] = {}
        spoken: int | None = None
        for at, stream in sorted(streams, key=itemgetter(0)):
            own = (segment, number, stream.revision)
            before = held.get(stream.revision)
            if own in several:
                if before is not None and before != stream:
                    changes[own].append(at)
                    if spoken == stream.revision:
                        told.contradicted.add(stream.name)
                edition = stream.revision + REVISIONS * len(changes[own])
                described.setdefault((segment, number, edition), stream)
            held[stream.revision] = stream
            spoken = stream.revision
    samples: dict[Key, Chunk] = {}
    for key, chunk in tables.samples.items():
        if key[:3] not in changes:
            samples[key] = chunk
            continue
        editions = np.searchsorted(changes[key[:3]], chunk.offset, "right")
        for one in np.unique(editions).tolist():
            moved = key._replace(revision=key.revision + REVISIONS * one)
            samples[moved] = chunk.only(editions == one)
    return replace(tables, samples=samples, described=_in_order(tables, described))


def _in_order(
    tables: Tables, described: dict[tuple[int, int, int], Stream]
) -> dict[tuple[int, int, int], Stream]:
    """Return the descriptions in the order in which they first came in the file."""
    first: dict[tuple[int, Stream], int] = {}
    for stream, places, segments in tables.spoken:
        numbers, at = np.unique(segments, return_index=True)
        for segment, place in zip(numbers.tolist(), places[at].tolist(), strict=True):
            first.setdefault((segment, stream), place)
    return dict(sorted(described.items(), key=lambda item: first[item[0][0], item[1]]))


def _unheard(tables: Tables) -> int:
    """Return the samples sent before the first that was heard, in starts within a capture."""
    captures = tables.capture_of
    total = 0
    for (segment, _), keys in by_counter(tables).items():
        if segment and captures[segment] == captures[segment - 1]:
            _, chunk = joined(tables, keys)
            total += int(chunk.sequence[0])
    return total
