"""The same over BLE notifications (``ble_service.md``).  Frames go into a queue, the queue into
slices; a frame that does not fit is left out whole, and the sequence numbers go on.

MicroPython tells a program of connections, not of subscriptions.  So the stream runs from the
connection on, and the description is repeated every second: a listener that subscribes later begins
inside a frame and knows the board within a second, where ``ble_service.md`` §4 wants it at once.
"""

import os

import bluetooth
from machine import ADC, Pin
from sagline import Clock, Emitter, frame
from trike import Sampler, streams

PINS = {"current": 26, "thermistor": 27, 0: 28, 1: 29, 2: 30, 3: 31}
NAME = "Kestrel"
SERVICE = bluetooth.UUID("703b1ca4-119b-4772-b2de-6a7dffadc1f7")
STREAM = bluetooth.UUID("703b1ca5-119b-4772-b2de-6a7dffadc1f7")
BOARD = bluetooth.UUID("703b1ca7-119b-4772-b2de-6a7dffadc1f7")
CONNECTED, GONE, READ, MTU = 1, 2, 4, 21  # events of the bluetooth module
QUEUE = 2048  # must hold the largest frame: that of a STREAM record


class Radio:
    """One listener at a time, from its connection on."""

    def __init__(self):
        self.queue = bytearray()
        self.connection = None
        self.size = 20
        self.joined = False
        self.describe = None
        self.ble = bluetooth.BLE()
        self.ble.active(True)
        self.ble.config(gap_name=NAME, mtu=247)
        self.ble.irq(self._happened)
        services = ((SERVICE, ((STREAM, 0x10), (BOARD, 0x02))),)
        ((self.stream, self.board),) = self.ble.gatts_register_services(services)
        self.ble.gatts_set_buffer(self.board, 128)
        self.advertise()

    def advertise(self):
        """Offer the service, with the name in the scan response."""
        service = bytes(SERVICE)
        name = NAME.encode()
        self.ble.gap_advertise(
            100_000,
            adv_data=b"\x02\x01\x06" + bytes([len(service) + 1, 0x07]) + service,
            resp_data=bytes([len(name) + 1, 0x09]) + name,
        )

    def _happened(self, event, data):
        if event == CONNECTED:
            self.connection, self.size, self.joined = data[0], 20, True
        elif event == GONE:
            self.connection = None
            self.advertise()
        elif event == MTU:
            self.size = min(data[1] - 3, 512)
        elif event == READ and data[1] == self.board:
            self.ble.gatts_write(self.board, self.describe())

    def write(self, data):
        """Queue a frame."""
        self.queue += data

    def ready(self, size):
        """Whether a whole frame fits the queue."""
        return self.connection is not None and len(self.queue) + size <= QUEUE

    def send(self):
        """Hand one slice to the radio; it stays queued where the radio has no room."""
        if self.connection is None or not self.queue:
            return
        piece = bytes(self.queue[: self.size])
        try:
            self.ble.gatts_notify(self.connection, self.stream, piece)
        except OSError:
            return
        self.queue = self.queue[len(piece) :]


def main(running=lambda: True):
    """Send until ``running`` says no."""
    radio = Radio()
    inputs = {name: ADC(Pin(pin)) for name, pin in PINS.items()}
    clock = Clock()
    boot = int.from_bytes(os.urandom(2), "little")
    emitter = Emitter(
        radio.write, NAME, "ble example 1", boot, streams(), radio.ready, repeat=1_000_000
    )
    radio.describe = lambda: frame(emitter.board_body(clock()))
    sampler = Sampler(emitter, lambda name: inputs[name].read_u16(), clock())
    while running():
        if radio.joined:
            radio.joined = False
            radio.queue = bytearray()
            emitter.joined(clock())
        sampler.take(clock())
        radio.send()


if __name__ == "__main__":
    main()
