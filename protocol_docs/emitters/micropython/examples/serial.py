"""A board on a serial lead: 8 data bits, no parity, 1 stop bit.  Copy with ``sagline.py``,
``measures.py`` and ``trike.py``; the pin numbers are those of your board."""

import os

from machine import ADC, UART, Pin
from sagline import NOTE, Clock, Emitter
from trike import Sampler, streams

PINS = {"current": 26, "thermistor": 27, 0: 28, 1: 29, 2: 30, 3: 31}


def main(running=lambda: True):
    """Send until ``running`` says no."""
    uart = UART(0, 115200)
    inputs = {name: ADC(Pin(pin)) for name, pin in PINS.items()}
    clock = Clock()
    boot = int.from_bytes(os.urandom(2), "little")  # better: counted up in a file
    emitter = Emitter(uart.write, "Kestrel", "serial example 1", boot, streams())
    emitter.begin(clock())
    emitter.event(NOTE, 0, 0, "ready", clock())
    sampler = Sampler(emitter, lambda name: inputs[name].read_u16(), clock())
    while running():
        sampler.take(clock())
    emitter.change()  # sends what waits


if __name__ == "__main__":
    main()
