"""What was heard, as values by channel and counts by stream."""

from dataclasses import dataclass, field

from ..format import Board, Channel, ClockUnwrapper, Event, EventKind, Samples, Stream
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
    """The last boot that was heard.

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
        found = [(channel.index, key) for key, channel in self.channels.items()
                 if channel.name == name and not channel.nearly]  # fmt: skip
        return [key for _, key in sorted(found)]


def observe(hearing: Hearing) -> Observation:
    """Return what ``hearing`` holds, taking the last boot where there are several."""
    if not hearing.records:
        return Observation(None, 0)
    boots = list(dict.fromkeys(record.boot for _, record in hearing.records))
    heard = [(at, record) for at, record in hearing.records if record.boot == boots[-1]]
    boards = [record for _, record in heard if isinstance(record, Board)]
    streams = {
        (record.stream, record.revision): record for _, record in heard
        if isinstance(record, Stream)
    }  # fmt: skip
    latest = {number: stream for (number, _), stream in streams.items()}
    samples: dict[int, list[tuple[float, Samples]]] = {number: [] for number in latest}
    for at, record in heard:
        if isinstance(record, Samples):
            samples.setdefault(record.stream, []).append((at, record))

    values: dict[str, list[float]] = {}
    channels: dict[str, Channel] = {}
    for number, received in samples.items():
        for channel in latest[number].channels if number in latest else ():
            channels[channel.key] = channel
            values.setdefault(channel.key, [])
        for _, record in received:
            stream = streams.get((number, record.revision))
            if stream is not None and record.fits(stream):
                for row in record.rows(stream):
                    for channel, raw in zip(stream.channels, row, strict=True):
                        values.setdefault(channel.key, []).append(channel.value(raw))
    most = max(samples.values(), key=len, default=[])
    unwrapper = ClockUnwrapper()
    return Observation(
        board=boards[-1] if boards else None,
        boots=len(boots),
        streams=tuple(
            _seen(number, latest.get(number), [record for _, record in received])
            for number, received in sorted(samples.items())
        ),
        channels=channels,
        values=values,
        clock=tuple((unwrapper.unwrap(record.clock) / 1e6, at) for at, record in most),
        faults=_open_faults([record for _, record in heard if isinstance(record, Event)]),
    )


def _seen(number: int, stream: Stream | None, records: list[Samples]) -> StreamSeen:
    received = lost = steps = 0
    expected: int | None = None
    unwrapper = ClockUnwrapper()
    clocks = [unwrapper.unwrap(record.clock) for record in records]
    for record in records:
        received += record.count
        missed = 0 if expected is None else (record.sequence - expected) % _SPAN
        lost += missed if missed < _SPAN >> 1 else 0
        expected = (record.sequence + record.count) % _SPAN
    if records:
        steps = (records[-1].sequence - records[0].sequence) % _SPAN
    span = (clocks[-1] - clocks[0]) / 1e6 if clocks else 0.0
    return StreamSeen(number, stream, received, lost, steps, span)


def _open_faults(events: list[Event]) -> tuple[Event, ...]:
    faults: dict[tuple[int, int], Event] = {}
    for event in events:
        if event.event is EventKind.FAULT:
            faults[event.number, event.index] = event
        elif event.event is EventKind.FAULT_CLEARED:
            faults.pop((event.number, event.index), None)
    return tuple(faults.values())
