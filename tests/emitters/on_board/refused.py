"""Runs on the board's own Python: begins with each description of refused_descriptions.json and
prints "number code stream channel"; of a text that no Python string can be, "number unsaid"."""

import json

import sagline


def words(stuffed):
    return bytes.fromhex(stuffed).decode()


def begin(case):
    streams = []
    for stream in case["streams"]:
        channels = [
            sagline.Channel(
                words(c["name"]),
                words(c["unit"]),
                c["type"],
                c["multiplier"],
                c["exponent"],
                c["offset"],
                c["index"],
                words(c["label"]),
            )
            for c in stream["channels"]
        ]
        streams.append(sagline.Stream(words(stream["name"]), stream["period"], channels))
    sent = []
    for start in range(3):
        made = sagline.Emitter(sent.append, "b", "f", 1, [])
        made.streams = streams
        try:
            if start == 0:
                made.begin(0)
            elif start == 1:
                made.log_begin(0, 0, "p", "s")
            else:
                made.log_append(0, 0, "p", "s")
        except sagline.BadDescription as problem:
            found = problem
        assert sent == [], "something was written"
    return found


with open("refused_descriptions.json") as file:  # noqa: PTH123
    CASES = json.load(file)
for n, case in enumerate(CASES):
    try:
        found = begin(case)
        print(n, found.code, found.stream, found.channel)
    except UnicodeError:
        print(n, "unsaid")
