"""What the live view shows after a restart: nothing carries over (frame_format.md §5.7)."""

from dataclasses import replace

from sagline_logger.capture.listener import Listener
from sagline_logger.format import Channel, SampleType, Stream
from support.logs import board, pack

OLD = Stream(1, 0, 0, "fast", 10_000, (Channel("volts", "V", SampleType.U16, exponent=-2),))
NEW = replace(OLD, channels=(Channel("volts", "V", SampleType.U16, exponent=-1),))


def heard_before() -> Listener:
    listener = Listener()
    for record in (board(1, 50_000_000), OLD, pack(OLD, 400, 54_000_000, [(4800,)])):
        assert listener.hear(record.encode())
    assert listener.values() == {"volts": 48.0}
    return listener


def test_a_description_of_the_start_before_is_not_used_under_the_same_boot_number():
    listener = heard_before()
    first = pack(NEW, 0, 0, [(480,)]).encode()
    assert not listener.hear(first)
    listener.new_boot()
    assert listener.hear(first)
    assert listener.values() == {}  # its scale is not known yet
    assert listener.described  # no need to tell the rider that nothing describes itself
    assert listener.hear(NEW.encode())
    assert listener.values() == {"volts": 48.0}


def test_one_said_in_front_of_the_first_sample_is_used():
    listener = heard_before()
    first = pack(NEW, 0, 1_000, [(480,)]).encode()
    for record in (board(1, 0), NEW):
        assert listener.hear(record.encode())
    assert not listener.hear(first)
    listener.new_boot()
    assert listener.hear(first)
    assert listener.values() == {"volts": 48.0}


def test_one_said_before_by_another_boot_number_is_not():
    listener = heard_before()
    for record in (board(1, 55_000_000), OLD):
        assert listener.hear(record.encode())
    other = pack(replace(NEW, boot=2), 0, 0, [(480,)]).encode()
    assert not listener.hear(other)
    listener.new_boot()
    assert listener.hear(other)
    assert listener.values() == {}
