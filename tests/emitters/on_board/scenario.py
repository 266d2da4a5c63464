"""Runs on the board's own Python: reads calls from calls.txt, one a line, makes them and prints the
bytes in hex; the same streams as scenario.c."""

import struct

from sagline import F32, I8, I16, I32, U8, U16, U32, Channel, Emitter, Stream

FAST = [
    Channel("pack_voltage", "V", U16, exponent=-2, missing=65535),
    Channel("battery_current", "A", I16, exponent=-1),
]
ODD = [
    Channel("a", "1", I32, index=1, missing=-7),
    Channel("a", "1", U8, index=2),
    Channel("a", "1", I8, index=3, missing=-128),
    Channel("a", "1", U32, index=4),
    Channel("a", "1", F32, index=5),
]
room = True
sent = []
s = Emitter(
    sent.append,
    "K",
    "1",
    9,
    [Stream("fast", 10000, FAST, together=5), Stream("odd", 0, ODD)],
    ready=lambda size: room,
)


def number(value):
    return None if value == -(2**31) else value


with open("calls.txt") as file:  # noqa: PTH123
    calls = [line.split() for line in file]
for call, *rest in calls:
    a = [int(one) for one in rest[:6]]
    words = rest[6]
    if call == "l":
        s.log_begin(a[0], a[1], words, "card", "")
    elif call == "b":
        s.begin(a[0])
    elif call == "0":
        s.sample(0, a[0], [number(a[1]), a[2]])
    elif call == "1":
        real = struct.unpack("<f", struct.pack("<I", a[5]))[0]
        s.sample(1, a[0], [number(a[1]), a[2], number(a[3]), a[4], real])
    elif call == "e":
        s.event(a[1], a[2], a[3], words, a[0])
    elif call == "k":
        s.skip(a[1], a[2])
    elif call == "j":
        s.joined(a[0])
    elif call == "c":
        s.change()
        s.changed(a[0])
    elif call == "i":
        s.idle(a[0])
    elif call == "r":
        room = a[0] != 0
    elif call == "m":
        s.log_mark(a[1], words, a[0])
    elif call == "w":
        s.log_wall(a[1], a[0])
    elif call == "x":
        s.log_end(words, a[0])
print(b"".join(sent).hex())
