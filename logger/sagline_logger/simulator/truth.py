"""The truth beside a simulation: everything the board sent and what decided, as JSON Lines.

One object a line, told apart by ``kind``:

- ``stream``: a stream's description at each start: boot, stream, name, period (µs), channel keys;
- ``samples``: one frame of raw samples: boot, stream, sequence and clock of the first, rows;
  ``sent`` is false where no reader was there to take the frame;
- ``event``: boot, sequence, clock, event, number, index, text, sent;
- ``limit``: from this clock on, this limit decides the motor's current;
- ``ledger``: the last line, energy in J by place, and the frames sent and not sent.
"""

import dataclasses
import json
from pathlib import Path
from typing import IO, Any

from .. import format as wire
from .simulation import Simulation, Transmission


class TruthFile:
    """Writes the truth of one simulation while it runs; ``path`` None counts frames only."""

    def __init__(self, path: Path | None, simulation: Simulation) -> None:
        self._simulation = simulation
        self._limits_written = 0
        self._described: set[tuple[int, int]] = set()
        self.sent = 0
        self.lost = 0
        self._file: IO[str] | None = None
        if path is not None:
            # Written as it happens, like a log: of a simulation that is killed it tells so far.
            wire.check_output(path, lambda front: front.startswith(b'{"kind":'))
            try:
                self._file = path.open("w", encoding="utf-8")
            except OSError as problem:
                raise wire.SaglineError(
                    f"cannot write the truth file ({problem.strerror})",
                    where=str(path),
                    remedy="choose another path",
                ) from None

    def add(self, transmission: Transmission, sent: bool) -> None:
        """Book one frame."""
        if sent:
            self.sent += 1
        else:
            self.lost += 1
        if self._file is None:
            return
        self._write_limits()
        record = transmission.record
        if isinstance(record, wire.Samples):
            self._write(
                kind="samples",
                boot=record.boot,
                stream=record.stream,
                sequence=record.sequence,
                clock=record.clock,
                sent=sent,
                rows=transmission.rows,
            )
        elif isinstance(record, wire.Event):
            self._write(kind="event", sent=sent, **dataclasses.asdict(record))
        elif isinstance(record, wire.Stream) and (record.boot, record.stream) not in (
            self._described
        ):
            self._described.add((record.boot, record.stream))
            self._write(
                kind="stream",
                boot=record.boot,
                stream=record.stream,
                name=record.name,
                period=record.period,
                channels=[channel.key for channel in record.channels],
            )

    def close(self) -> None:
        """Write the last lines and close the file."""
        if self._file is None:
            return
        self._write_limits()
        ledger = dataclasses.asdict(self._simulation.ledger)
        self._write(kind="ledger", sent=self.sent, not_sent=self.lost, **ledger)
        self._file.close()
        self._file = None

    def _write_limits(self) -> None:
        changes = self._simulation.limit_changes
        for change in changes[self._limits_written :]:
            self._write(
                kind="limit",
                boot=change.boot,
                clock=change.clock,
                motor=change.motor,
                limit=change.limit,
            )
        self._limits_written = len(changes)

    def _write(self, **fields: Any) -> None:
        assert self._file is not None
        self._file.write(json.dumps(fields, separators=(",", ":"), ensure_ascii=False) + "\n")
