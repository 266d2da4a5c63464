"""Marks: a text typed after the moment belongs to the mark that was dropped at the moment."""

from sagline_analyser import load_ride
from sagline_logger.format import Mark
from support.frames import Device
from support.logs import at, log_bytes


def test_a_repeated_number_brings_the_text_and_keeps_the_moment(tmp_path):
    device = Device()
    wire = device.description() + device.samples(5)
    records = [wire, Mark(at(2_000_000), 1), Mark(at(9_000_000), 1, "hill"), Mark(at(9_500_000), 2)]
    path = tmp_path / "x.sagline"
    path.write_bytes(log_bytes(records))
    marks = load_ride(path).marks
    assert [(mark.number, mark.text) for mark in marks] == [(1, "hill"), (2, "")]
    assert marks[1].time - marks[0].time == 7.5
