"""The whole way: the simulated board on a pseudo-terminal, the real logger, and its log."""

import json
from pathlib import Path

import pytest

from sagline_logger.format import Event, Samples, Stream
from support.capture import Contents, Logger, command, the_log


@pytest.mark.parametrize(
    "options", [(), ("--streams", "wide", "--clock-start", str(2**32 - 10**7))]
)
def test_every_sample_sent_is_in_the_log_and_no_other(
    tmp_path: Path, options: tuple[str, ...]
) -> None:
    truth = tmp_path / "truth.jsonl"
    board = Logger("simulate", "--speed", "20", "--seconds", "60", "--truth", truth, *options)
    assert board.process.stdout is not None
    try:
        port = board.process.stdout.readline().removeprefix("serial port: ").strip()
        recorder = Logger("record", "--serial", port, "--out", tmp_path / "log")
        try:
            assert board.finish()[0] == 0
            # The board hangs up when it is done; the log is complete then.
            recorder.wait_for("link down")
            status, out, _ = recorder.stop(2)
        finally:
            recorder.kill()
    finally:
        board.kill()
    assert status == 0
    assert " 0 samples lost, 0 foreign bytes" in out
    log = the_log(tmp_path / "log")
    report = json.loads(command("verify", log, "--json")[1])
    assert report["whole"]
    assert report["undescribed"] == 0
    assert report["foreign"] == {}

    told = [json.loads(line) for line in truth.read_text().splitlines()]
    assert not [line for line in told if not line.get("sent", True)]
    contents = Contents(log.read_bytes())
    streams = {stream.stream: stream for stream in contents.all(Stream)}
    fields = ("boot", "stream", "sequence", "clock")
    kept = [
        {
            **{name: getattr(record, name) for name in fields},
            "rows": [list(row) for row in record.rows(streams[record.stream])],
        }
        for record in contents.all(Samples)
    ]
    sent = [
        {name: line[name] for name in (*fields, "rows")}
        for line in told
        if line["kind"] == "samples"
    ]
    assert len(sent) > 100
    assert kept == sent
    events = [line for line in told if line["kind"] == "event"]
    assert [event.sequence for event in contents.all(Event)] == [e["sequence"] for e in events]
    (ledger,) = (line for line in told if line["kind"] == "ledger")
    assert len(contents.frames) == ledger["sent"]
