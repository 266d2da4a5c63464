"""An asynchronous serial line, bit by bit: what a receiver reads at another speed than is sent.

8N1: a start bit of zero, eight bits with the lowest first, a stop bit of one; the receiver waits
for a falling edge and samples each bit in its middle (common practice of every UART; no source).
"""

from collections.abc import Sequence
from itertools import accumulate


def levels(data: bytes, idle: Sequence[int]) -> list[int]:
    """Return the line's levels; so many bits of one as ``idle`` says stand before each byte."""
    line: list[int] = [1] * 20
    for number, byte in enumerate(data):
        line += [1] * idle[number % len(idle)]
        line += [0, *(byte >> n & 1 for n in range(8)), 1]
    return [*line, *[1] * 20]


def received(data: bytes, sent: float, read: float, *, idle: Sequence[int] = (0,)) -> bytes:
    """Return what a receiver at ``read`` bit/s makes of ``data`` sent at ``sent`` bit/s."""
    line = levels(data, idle)
    ratio = sent / read  # sent bits in one bit of the receiver
    out = bytearray()
    at = 0  # sent bits
    while True:
        try:
            at = line.index(0, at)
        except ValueError:
            return bytes(out)
        places = list(accumulate([at + ratio / 2, *[ratio] * 9]))
        if places[-1] >= len(line):
            return bytes(out)
        bits = [line[int(place)] for place in places]
        if bits[0] == 0:
            out.append(sum(bit << n for n, bit in enumerate(bits[1:9])))
        at = int(places[-1])
        while at < len(line) and line[at] == 0:  # a framing error: wait until the line is idle
            at += 1
