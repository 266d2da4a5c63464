"""Runs on the board's own Python: the calls of segments.c, read from calls.txt; prints what each
sends as a line of hex."""

from sagline import NOTE, U8, U16, Channel, Emitter, Stream

LAYOUTS = {
    "n": [Channel("n", "1", U16)],
    "n,m": [Channel("n", "1", U16), Channel("m", "1", U16)],
    "n,p": [Channel("n", "1", U16), Channel("p", "1", U8)],
}
room = [True]
sent = []
s = None
with open("calls.txt") as file:  # noqa: PTH123
    calls = [line.split() for line in file]
for call, *rest in calls:
    clock, second, third = [int(one) for one in rest[:3]]
    words = rest[4]
    if call == "init":
        fast = Stream("fast", 10000, LAYOUTS["n"], together=5)
        streams = [fast]
        if third:
            streams.append(Stream("slow", 100000000, [Channel("w", "1", U8)], together=1))
        s = Emitter(sent.append, "Kestrel", "3", second, streams, lambda size: room[0], 2**32 - 1)
    elif call == "begin":
        s.begin(clock)
    elif call == "log":
        s.log_begin(clock, 0, "t", "s")
    elif call == "append":
        s.log_append(clock, 0, "t", "s")
    elif call == "idle":
        s.idle(clock)
    elif call == "describe":
        s.joined(clock)
    elif call == "skip":
        s.skip(0, clock)
    elif call == "changed":
        s.change()
        s.revision = (second - 1) % 256  # the number that comes round has come so far
        s.streams[0].channels = LAYOUTS[words]
        s.changed(clock)
    elif call == "samples":
        for n in range(second):
            row = [third + n, 7][: len(s.streams[0].channels)]
            s.sample(0, (clock + n * 10_000) % 2**32, row)
    elif call == "beside":
        s.sample(1, clock, [third])
    elif call == "event":
        room[0] = second != 0
        s.event(NOTE, 0, 0, words, clock)
        room[0] = True
    print(b"".join(sent).hex() if sent else "")
    sent.clear()
