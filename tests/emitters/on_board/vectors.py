"""Runs on the board's own Python: makes the frames of records.json by the module's calls and prints
"number how frame" for each."""

import json

import sagline


def emitter(record, streams=(), **more):
    sent = []
    made = sagline.Emitter(sent.append, "", "", record.get("boot", 0), list(streams))
    made.revision = record.get("revision", 0)
    made._next = 255  # no description of its own accord
    made._described = record.get("clock", 0)
    made.monotonic = record.get("monotonic", 0)
    made.wall_offset = record.get("wall", 0) - made.monotonic
    for name, value in more.items():
        setattr(made, name, value)
    return made, sent


def make(record):
    kind = record["record"]
    clock = record.get("clock", 0)
    data = bytes.fromhex(record.get("data", ""))
    if kind == "BOARD" and record["version"] == [1, 0]:
        made, sent = emitter(record, board=record["name"], firmware=record["firmware"])
        made.streams = [None] * record["streams"]
        made.send_board(clock)
    elif kind == "STREAM":
        channels = [sagline.Channel(**channel) for channel in record["channels"]]
        stream = sagline.Stream(record["name"], record["period"], channels)
        made, sent = emitter(record, [stream] * (record["stream"] + 1))
        made.send_stream(record["stream"])
    elif kind == "SAMPLES" and len(data) // record["count"] <= 64:
        count = record["count"]
        row = len(data) // count
        channels = [sagline.Channel("x", "1", sagline.U8, index=i) for i in range(row)]
        stream = sagline.Stream("", 1000, channels, count)
        stream.sequence = record["sequence"]
        made, sent = emitter(record, [stream] * (record["stream"] + 1))
        for i in range(count):
            made.sample(record["stream"], clock + i * 1000, data[i * row : (i + 1) * row])
    elif kind == "EVENT":
        made, sent = emitter(record, events=record["sequence"])
        made.event(record["event"], record["number"], record["index"], record["text"], clock)
    elif kind == "CAPTURE":
        made, sent = emitter(record)
        texts = record["program"], record["source"], record["note"]
        made.log_begin(record["monotonic"], record["wall"], *texts)
    elif kind == "SETTING":
        made, sent = emitter(record)
        made.log_setting(record["name"], record["value"])
    elif kind == "FILE":
        made, sent = emitter(record)
        made.log_file(record["name"], bytes(record["offset"]) + data)
        sent = sent[-1:]
    elif kind == "MARK":
        made, sent = emitter(record)
        made.log_mark(record["number"], record["text"], record["monotonic"])
    elif kind == "TIME":
        made, sent = emitter(record, position=record["position"], logging=True)
        made.send(b"\x40")
        sent = sent[:1]
    else:
        return None
    return b"".join(sent).hex()


with open("records.json") as file:  # noqa: PTH123
    CASES = json.load(file)
for n, case in enumerate(CASES):
    print(n, "body", sagline.frame(bytes.fromhex(case["body"])).hex())
    found = make(case["is"])
    if found:
        print(n, "record", found)
