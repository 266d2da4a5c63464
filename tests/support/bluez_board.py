"""The simulated board behind the Bluetooth stand-in."""

import threading
import time
from collections.abc import Iterator

from sagline_logger.format import Board, Stream, encode_frame
from sagline_logger.simulator.simulation import Simulation
from support.bluez_peripheral import Peripheral


class SimulatedBoard:
    """Kestrel on its bread run, frame by frame, and what it says to a new listener."""

    def __init__(self, seconds: float = 3600.0, seed: int = 1) -> None:
        self._simulation = Simulation(seconds=seconds, seed=seed)
        self._run = self._simulation.run()
        self._description: list[Board | Stream] = []
        for sent in self._run:  # the first samples come after the first description
            if not isinstance(sent.record, Board | Stream):
                break
            self._description.append(sent.record)

    def board(self) -> bytes:
        """Return the BOARD frame of this moment."""
        first = self._description[0]
        assert isinstance(first, Board)
        now = Board(
            first.boot,
            self._simulation.clock_now,
            first.revision,
            first.streams,
            first.name,
            first.firmware,
        )
        return encode_frame(now.encode())

    def greeting(self) -> bytes:
        """Return what stands at the start of every subscription: BOARD, then each STREAM."""
        streams = (encode_frame(stream.encode()) for stream in self._description[1:])
        return b"".join([self.board(), *streams])

    def frames(self, count: int) -> bytes:
        """Return the next ``count`` frames."""
        return b"".join(next(self._run).data for _ in range(count))

    def paced(self, stop: threading.Event) -> Iterator[bytes]:
        """Yield frames when they are due until ``stop`` is set."""
        began = time.monotonic() - self._simulation.time / 1e6
        for sent in self._run:
            if stop.wait(max(0.0, began + sent.time / 1e6 - time.monotonic())):
                return
            yield sent.data


class Ride:
    """A board that is ridden, in real time, on a thread of its own, whether heard or not."""

    def __init__(self, board: SimulatedBoard, peripheral: Peripheral) -> None:
        self._board = board
        self._peripheral = peripheral
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, name="ride")

    def __enter__(self) -> "Ride":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def stop(self) -> None:
        """Stop sending; the link stays."""
        self._stop.set()
        self._thread.join()

    def _send(self) -> None:
        for data in self._board.paced(self._stop):
            self._peripheral.send(data)
