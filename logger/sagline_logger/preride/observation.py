"""What was heard, as values by channel and counts by stream."""

from dataclasses import dataclass, field

from ..format import (
    Board,
    Channel,
    DeviceReader,
    Event,
    EventKind,
    Heard,
    Samples,
    Segment,
    Stream,
    Verdict,
)
from .listening import Hearing

_SPAN = 1 << 32


@dataclass(frozen=True)
class StreamSeen:
    """One stream.  ``span`` is device time from the first to the last record in s, and ``steps``
    the samples sent from the one to the other, lost ones included."""

    number: int
    description: Stream | None
    received: int
    lost: int
    steps: int
    span: float


@dataclass(frozen=True)
class Observation:
    """The last start that was heard; ``boots`` counts all.

    ``values`` holds every value of every described channel by its key, in its unit, NaN where
    missing; ``clock`` (device s, host s) pairs; ``faults`` those that were not cleared.
    """

    board: Board | None
    boots: int
    streams: tuple[StreamSeen, ...] = ()
    channels: dict[str, Channel] = field(default_factory=dict)
    values: dict[str, list[float]] = field(default_factory=dict)
    clock: tuple[tuple[float, float], ...] = ()
    faults: tuple[Event, ...] = ()

    def keys(self, name: str) -> list[str]:
        """Return the keys of a channel name, by index."""
        found = [
            (channel.index, key)
            for key, channel in self.channels.items()
            if channel.name == name and not channel.nearly
        ]
        return [key for _, key in sorted(found)]


def observe(hearing: Hearing) -> Observation:
    """Return what ``hearing`` holds, taking the last start where there are several."""
    if not hearing.records:
        return Observation(None, 0)
    reader = DeviceReader()
    starts: dict[int, Segment] = {}
    everything: list[tuple[float, Heard]] = []
    for at, record in hearing.records:
        reader.host(int(at * 1e6))
        one = reader.take(record)
        starts[id(one.segment)] = one.segment
        if one.verdict is not Verdict.REPEATED:
            everything.append((at, one))
    reader.settle()
    segment = everything[-1][1].segment
    heard = [(at, one) for at, one in everything if one.segment is segment]
    boards = [one.record for _, one in everything if isinstance(one.record, Board)]
    latest = {stream.stream: stream for stream in segment.described.values()}
    samples: dict[int, list[tuple[float, Heard]]] = {number: [] for number in latest}
    for at, one in heard:
        if isinstance(one.record, Samples):
            samples.setdefault(one.record.stream, []).append((at, one))

    values: dict[str, list[float]] = {}
    channels: dict[str, Channel] = {}
    for number, received in samples.items():
        for channel in latest[number].channels if number in latest else ():
            channels[channel.key] = channel
            values.setdefault(channel.key, [])
        for _, one in received:
            record = one.record
            stream = segment.described.get(one.description) if one.description else None
            if stream is not None and isinstance(record, Samples) and record.fits(stream):
                for row in record.rows(stream):
                    for channel, raw in zip(stream.channels, row, strict=True):
                        values.setdefault(channel.key, []).append(channel.value(raw))
    most = max(samples.values(), key=len, default=[])
    return Observation(
        board=boards[-1] if boards else None,
        boots=len(starts),
        streams=tuple(
            _seen(number, latest.get(number), [one for _, one in received])
            for number, received in sorted(samples.items())
        ),
        channels=channels,
        values=values,
        clock=tuple((one.clock / 1e6, at) for at, one in most),
        faults=_open_faults([one.record for _, one in heard if isinstance(one.record, Event)]),
    )


def _seen(number: int, stream: Stream | None, heard: list[Heard]) -> StreamSeen:
    records = [one.record for one in heard if isinstance(one.record, Samples)]
    received = sum(record.count for record in records)
    lost = sum(one.lost for one in heard)
    steps = (records[-1].sequence - records[0].sequence) % _SPAN if records else 0
    span = (heard[-1].clock - heard[0].clock) / 1e6 if heard else 0.0
    return StreamSeen(number, stream, received, lost, steps, span)


def _open_faults(events: list[Event]) -> tuple[Event, ...]:
    faults: dict[tuple[int, int], Event] = {}
    for event in events:
        if event.event is EventKind.FAULT:
            faults[event.number, event.index] = event
        elif event.event is EventKind.FAULT_CLEARED:
            faults.pop((event.number, event.index), None)
    return tuple(faults.values())
