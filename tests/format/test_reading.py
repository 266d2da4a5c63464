"""Numbers, clocks, captures and versions as ``protocol_docs/frame_format.md`` §5.7, §5.8, §6.5 and
§7 have them, record by record; and what opening and reading a log says of it in words.
"""

import gzip
import io
import os
import random
from dataclasses import replace
from pathlib import Path

import pytest

from sagline_logger.format import (
    Board,
    Capture,
    Channel,
    ClockUnwrapper,
    End,
    Entry,
    Event,
    EventKind,
    Instant,
    LogStart,
    SaglineError,
    Samples,
    SampleType,
    Stream,
    Time,
    Unknown,
    Verdict,
    VersionGate,
    encode_frame,
    log_file,
    open_log,
    read_log,
)
from sagline_logger.format.device_stream import (
    EVENTS,
    RECENT,
    CaptureStarts,
    DeviceReader,
    Numbers,
    device_record,
)
from sagline_logger.format.log_file import check_is_log, plain_size, read_shown
from sagline_logger.format.near_names import _distance, _word_distance, nearest_name, unit_remedy

AT = Instant(5, 7)
ONE = Channel("c", "V", SampleType.U8)
FAST = Stream(1, 0, 0, "fast", 1000, (ONE,))
LOG = encode_frame(LogStart().encode())
HOUR = 3_600_000_000
WRAP = 1 << 32


def samples(sequence: int, clock: int, count: int = 1, **changes: int) -> Samples:
    return replace(Samples(1, 0, 0, sequence, clock, count, bytes(count)), **changes)


# --- the clock (§5.7) ------------------------------------------------------------------------


def test_the_clock_goes_on_past_its_32_bits_and_a_little_back():
    clock = ClockUnwrapper()
    assert clock.last is None
    assert clock.unwrap(WRAP - 10) == WRAP - 10
    assert clock.unwrap(5) == WRAP + 5
    assert clock.unwrap(WRAP - 3) == WRAP - 3
    assert clock.last == WRAP - 3
    # Just under half of its range further on; half of it or more is back.
    assert clock.unwrap((WRAP - 3 + (1 << 31) - 1) % WRAP) == WRAP - 3 + (1 << 31) - 1
    start = clock.last
    assert clock.unwrap((start + (1 << 31)) % WRAP) == start - (1 << 31)


def test_the_hosts_clock_bridges_what_is_longer_than_the_range():
    clock = ClockUnwrapper()
    clock.unwrap(1000)
    # Three hours later by the host, whose clock is 5 s off.
    now = 1000 + 3 * HOUR + 5_000_000
    assert clock.unwrap(now % WRAP, 3 * HOUR) == now
    assert clock.unwrap((now + 7) % WRAP, 0) == now + 7
    assert clock.unwrap((now + 9) % WRAP, None) == now + 9


# --- numbers (§5.7) --------------------------------------------------------------------------


def test_numbers_tell_what_is_lost_repeated_and_started_anew():
    numbers = Numbers()
    assert (numbers.clock, numbers.lost) == (0, 0)
    assert numbers.follow(0, 40, 3, 1_000_000, "a") is Verdict.NEXT
    assert numbers.lost == 0  # the first heard of a stream: nothing is known to lack
    assert numbers.follow(0, 43, 1, 2_000_000, "b") is Verdict.NEXT and numbers.lost == 0
    assert numbers.follow(0, 50, 1, 3_000_000, "c") is Verdict.NEXT and numbers.lost == 6
    assert numbers.clock == 3_000_000
    assert numbers.follow(0, 43, 1, 2_000_000, "b") is Verdict.REPEATED and numbers.lost == 0
    assert numbers.clock == 3_000_000
    assert numbers.follow(EVENTS, 9, 1, 2_900_000, "e") is Verdict.NEXT and numbers.lost == 0
    # Another number than expected, and not said before: back, by a clock that goes on …
    assert numbers.follow(0, 45, 1, 3_500_000, "d") is Verdict.WENT_BACK
    assert numbers.follow(0, 46, 1, 3_600_000, "f") is Verdict.NEXT
    # … up to a second ahead of all, and not behind its own.
    assert numbers.follow(0, 30, 1, 4_600_000, "g") is Verdict.WENT_BACK
    assert numbers.follow(0, 29, 1, 5_600_001, "h") is Verdict.RESTARTED
    assert numbers.follow(0, 29, 1, 5_600_000, "h") is Verdict.WENT_BACK
    assert numbers.follow(0, 20, 1, 5_599_999, "i") is Verdict.RESTARTED
    assert numbers.follow(0, 20, 1, 5_600_000, "i") is Verdict.WENT_BACK
    assert numbers.clock == 5_600_000


def test_a_clock_behind_the_latest_does_not_make_it_earlier():
    numbers = Numbers()
    numbers.follow(0, 0, 1, 9_000_000, "a")
    numbers.follow(1, 0, 1, 7_000_000, "b")
    numbers.follow(1, 9, 1, 7_500_000, "c")
    # Stream 1 goes back with a clock within a second of stream 0's, the latest.
    assert numbers.follow(1, 3, 1, 9_900_000, "d") is Verdict.WENT_BACK


def test_half_the_range_ahead_is_behind():
    numbers = Numbers()
    numbers.follow(0, 0, 1, 0, "a")
    assert numbers.follow(0, (1 << 31), 1, 10, "b") is Verdict.NEXT
    assert numbers.lost == (1 << 31) - 1
    numbers = Numbers()
    numbers.follow(0, 0, 1, 0, "a")
    assert numbers.follow(0, (1 << 31) + 1, 1, 10, "b") is Verdict.WENT_BACK


def test_a_repeat_is_looked_for_among_the_last_64():
    for since, verdict in ((RECENT - 1, Verdict.REPEATED), (RECENT, Verdict.RESTARTED)):
        numbers = Numbers()
        for at in range(since + 1):
            numbers.follow(0, at, 1, 1000 * at, at)
        assert numbers.follow(0, 0, 1, 0, 0) is verdict
    assert RECENT == 64


def test_after_a_long_silence_the_hosts_clock_takes_part():
    # 17.9 minutes are 2^30 µs.
    for silence, clock in (((1 << 30) + 1, True), (1 << 30, False)):
        numbers = Numbers()
        numbers.host = 100
        numbers.follow(0, 0, 1, 0, "a")
        numbers.host = 100 + silence + WRAP
        if not clock:
            numbers.host = 100 + silence
        numbers.follow(0, 1, 1, silence % WRAP, "b")
        assert numbers.clock == (silence + WRAP if clock else silence)


def test_what_is_repeated_leaves_the_clocks_as_they_were():
    numbers = Numbers()
    numbers.host = 0
    numbers.follow(0, 0, 1, 0, "a")
    numbers.follow(0, 1, 1, 1000, "b")
    numbers.host = 2 * WRAP
    assert numbers.follow(0, 0, 1, 0, "a") is Verdict.REPEATED
    # The silence before the next is still all of it.
    numbers.follow(0, 2, 1, 2000, "c")
    assert numbers.clock == 2 * WRAP + 2000


def test_a_board_record_whose_clock_fell_before_any_number_is_another_start():
    numbers = Numbers()
    assert not numbers.begins_anew(10)
    assert numbers.board(500) == 500
    assert not numbers.begins_anew(500) and not numbers.begins_anew(501)
    assert numbers.begins_anew(499)
    assert numbers.clock == 500
    numbers.follow(0, 0, 1, 600, "a")
    assert not numbers.begins_anew(100)


# --- the reader of a device (§5.7, §5.8) -----------------------------------------------------


def test_captures_are_numbered_and_each_begins_with_nothing():
    reader = DeviceReader()
    assert (reader.capture, reader.segment) == (0, None)
    first = reader.take(samples(5, 0)).segment
    assert (first.capture, first.boot, first.same_number, first.unheard) == (0, 1, False, 0)
    for number in (1, 2, 3):
        reader.begin_capture()
        assert (reader.capture, reader.segment) == (number, None)
        heard = reader.take(samples(9, 0))
        assert (heard.segment.capture, heard.lost, heard.segment.unheard) == (number, 0, 0)


def test_a_start_within_a_capture_says_what_was_not_heard_of_it():
    reader = DeviceReader()
    reader.take(Board(1, 0, 0, 1, "k"))
    reader.take(samples(0, 10))
    other = reader.take(samples(7, 0, boot=2))
    assert (other.segment.boot, other.segment.unheard, other.segment.same_number) == (2, 7, False)
    assert reader.take(samples(3, 0, boot=2, stream=1)).segment.unheard == 10
    reader.take(Event(2, 50, 0, EventKind.NOTE))
    assert other.segment.unheard == 10  # of samples only
    reader.take(samples(8, 10, boot=2))
    assert other.segment.unheard == 10


def test_the_same_boot_number_again_is_told_by_numbers_and_clocks():
    reader = DeviceReader()
    first = reader.take(samples(100, 50_000_000)).segment
    heard = reader.take(samples(4, 1_000))
    assert heard.segment is not first and heard.segment.same_number
    assert (heard.segment.boot, heard.segment.unheard) == (1, 4)
    assert (heard.verdict, heard.lost, heard.clock) == (Verdict.NEXT, 0, 1_000)
    assert reader.segment is heard.segment
    # By a BOARD whose clock fell, where nothing was numbered.
    reader = DeviceReader()
    board = Board(1, 90, 0, 1, "k")
    one = reader.take(board)
    assert (one.record, one.clock, one.verdict, one.description) == (board, 90, Verdict.NEXT, None)
    two = reader.take(replace(board, clock=40))
    assert two.segment is not one.segment and two.segment.same_number and two.segment.boot == 1
    assert two.record == replace(board, clock=40) and two.clock == 40


def test_samples_say_which_description_is_theirs_and_contradictions_count():
    reader = DeviceReader()
    other = replace(FAST, period=2000)
    assert reader.take(FAST).record == FAST
    heard = reader.take(samples(0, 0))
    key = heard.description
    assert key is not None and (key.stream, key.revision, key.edition) == (0, 0, 0)
    segment = heard.segment
    assert segment.described[key] == FAST and segment.contradicted == 0
    reader.take(FAST)
    assert segment.contradicted == 0
    reader.take(other)
    assert segment.contradicted == 1
    later = reader.take(samples(1, 1000)).description
    assert later is not None and later.edition == 1 and segment.described[later] == other
    # Another revision between: coming back with another description is no contradiction.
    reader.take(replace(FAST, revision=1))
    reader.take(FAST)
    assert segment.contradicted == 1
    assert reader.take(samples(2, 2000)).description.edition == 2
    assert reader.take(samples(3, 3000, revision=1)).description.edition == 0
    event = reader.take(Event(1, 0, 0, EventKind.NOTE))
    assert event.description is None


def test_descriptions_behind_a_board_wait_for_what_follows():
    reader = DeviceReader()
    reader.take(Board(1, 0, 0, 1, "k"))
    reader.take(FAST)
    assert reader.segment is not None and reader.segment.described == {}
    reader.settle()
    assert list(reader.segment.described.values()) == [FAST]


def test_the_hosts_clock_is_handed_on():
    reader = DeviceReader()
    reader.host(0)
    reader.take(samples(0, 0))
    reader.host(2 * WRAP)
    assert reader.take(samples(1, 9)).clock == 2 * WRAP + 9
    reader.begin_capture()
    reader.take(samples(0, 0))
    reader.host(5 * WRAP)
    assert reader.take(samples(1, 9)).clock == 9  # nothing of the host was known before
    repeated = reader.take(samples(1, 9))
    assert (repeated.verdict, repeated.clock) == (Verdict.REPEATED, 9)


# --- versions (§7) and captures (§6.5) -------------------------------------------------------


def test_another_major_version_is_not_looked_into():
    gate = VersionGate()
    assert gate.open and gate.admits(b"\x03") and gate.admits(b"\x85")
    assert gate.admits(b"\x01\x02") and gate.open  # a BOARD cut before its version
    assert gate.admits(b"\x01\x02\x00") and not gate.open and not gate.device and gate.file
    assert not gate.admits(b"\x03") and gate.admits(b"\x85") and gate.admits(b"\x80Sag")
    assert gate.admits(b"\x01\x01\x00") and gate.admits(b"\x03") and gate.open
    assert gate.admits(b"\x80Sagline\x02\x00") and not gate.file and gate.device
    assert not gate.admits(b"\x85") and not gate.admits(b"\x01\x01\x00")
    # A LOG that ends behind its signature, or has none, changes nothing.
    assert not gate.admits(b"\x80Sagline") and not gate.admits(b"\x80Sagling\x01\x00")
    assert not gate.admits(b"\x81Sagline\x01")
    assert gate.admits(b"\x80Sagline\x01") and gate.open


def test_where_a_capture_begins():
    begin = Capture(AT, "p", "s")
    end, late, early = End(AT, 0, 0), Time(Instant(50, 0), 0), Time(Instant(49, 0), 0)
    starts = CaptureStarts()
    told = [
        (LogStart(), False),  # the first
        (begin, False),
        (late, False),
        (late, False),
        (samples(0, 0), False),
        (early, True),  # the monotonic clock fell
        (late, False),
        (LogStart(), True),
        (begin, False),
        (early, False),  # another capture's clock
        (end, False),
        (samples(0, 0), True),
        (None, False),
        (end, False),
        (begin, True),
        (begin, True),
        (end, False),
        (None, True),
    ]
    for number, (record, wanted) in enumerate(told):
        assert starts.begins(record) is wanted, number
    assert CaptureStarts().begins(begin) is CaptureStarts().begins(late) is False


# --- reading and opening a log ---------------------------------------------------------------


def entries(data: bytes) -> list[Entry]:
    return list(read_log(io.BytesIO(data)))


ZEROS = "nothing but zeros, as a disk leaves where a write was lost"


def test_every_entry_has_its_place():
    end = encode_frame(End(AT, 1, 2).encode())
    strange = encode_frame(Board(1, 0, 0, 0, "k", "f", (2, 0)).encode())
    late = encode_frame(samples(0, 0).encode())
    refused = encode_frame(b"\x84" + bytes(16) + b"\x09\0\0")
    bad = encode_frame(b"\x02")
    spoilt = end[:-3] + b"\x01" + end[-2:]
    data = LOG + b"\0" * 511 + end + b"\0" * 512 + refused + bad + spoilt + strange + late + end[:9]
    found = entries(data)
    place = [0]
    for part in (LOG, b"\0" * 511, end, b"\0" * 512, refused, bad, spoilt, strange, late):
        place.append(place[-1] + len(part))
    assert found == [
        Entry(0, len(LOG), LogStart()),
        Entry(place[2], len(end), End(AT, 1, 2)),
        Entry(place[3], 512, None, ZEROS, zeros=True),
        Entry(place[4], len(refused), None, "LINK: unknown link state 9", refused=True),
        Entry(
            place[5],
            len(bad),
            None,
            "STREAM: the record ends at byte 1, inside a field",
            refused=True,
            device=True,
        ),
        Entry(place[6], len(spoilt), None, "damaged frame"),
        Entry(place[7], len(strange), Board(0, 0, 0, 0, "", "", (2, 0))),
        Entry(place[8], len(late), Unknown(samples(0, 0).encode()), strange=True),
        Entry(place[9], 9, None, "the file ends inside a frame"),
    ]


def test_what_has_no_delimiter_is_one_damaged_place():
    data = LOG + b"\x01" * 10_000 + b"\0" + LOG + b"\x02" * 20 + b"\0" + b"\x02" * 20 + b"\0"
    told = [(one.offset, one.size, one.problem, one.goes_on) for one in entries(data)]
    long, size = "no delimiter within the longest frame", len(LOG)
    assert told == [
        (0, size, "", False),
        (size, 4113, long, False),
        (size + 4113, 4113, long, True),
        (size + 8226, 10_001 - 8226, long, True),
        (size + 10_001, size, "", False),
        (2 * size + 10_001, 21, "damaged frame", False),
        (2 * size + 10_022, 21, "damaged frame", False),
    ]


def test_zeros_without_end_are_one_entry():
    for count in (1 << 16, (3 << 16) + 5, 600):
        found = entries(LOG + b"\0" * count + LOG + b"\0" * count)
        assert found == [
            Entry(0, len(LOG), LogStart()),
            Entry(len(LOG), count, None, ZEROS, zeros=True),
            Entry(len(LOG) + count, len(LOG), LogStart()),
            Entry(2 * len(LOG) + count, count, None, ZEROS, zeros=True),
        ]


def told_of(path: Path) -> str:
    with pytest.raises(SaglineError) as problem:
        open_log(path).close()
    return str(problem.value)


def test_what_is_no_log_is_told_in_one_line(tmp_path: Path):
    path = tmp_path / "x.sagline"
    assert told_of(path) == (
        f"{path}: cannot open the log (No such file or directory); check the path"
    )
    path.write_bytes(b"")
    assert told_of(path) == f"{path}: the file is empty; nothing was captured"
    path.write_bytes(b"\xff\xfe\x80" * 100)
    assert told_of(path) == f"{path}: not a Sagline log; choose a .sagline file"
    path.write_text("time,volts\n1,2\n" * 40)
    told = told_of(path)
    assert told.startswith(f"{path}: not a Sagline log but ")
    assert told.endswith(
        "; choose a .sagline file, or bring columns in with `sagline-analyser import`"
    )
    path.write_bytes(encode_frame(b"\x80Sagline\x02\x05"))
    assert told_of(path) == (
        f"{path}: written in format version 2.5, this program reads 1.x; install a later Sagline"
    )
    assert told_of(tmp_path) == f"{tmp_path}: cannot open the log (Is a directory); check the path"
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    assert told_of(pipe) == f"{pipe}: is a device or a pipe, not a file; name a .sagline file"
    with pytest.raises(SaglineError, match=r"^here: the file is empty; nothing was captured$"):
        check_is_log(b"", "here")
    check_is_log(encode_frame(b"\x02"), "here")  # sound, whatever is wrong with the record


def test_a_log_may_begin_behind_much_that_was_lost(tmp_path: Path):
    path = tmp_path / "x.sagline"
    path.write_bytes(b"\x07" * 100_000 + b"\0" + LOG)
    with open_log(path) as file:
        assert file.tell() == 0
        assert plain_size(file) == 100_001 + len(LOG)
        assert [one.record for one in read_shown(file, "reading")][-1] == LogStart()
    path.write_bytes(b"\x07" * ((1 << 24) + (1 << 16)) + b"\0" + LOG)
    assert "not a Sagline log" in told_of(path)
    assert plain_size(io.BytesIO(b"abc")) is None


# --- names that are nearly standard ----------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "other", "distance"),
    [  # optimal string alignment, by hand
        ("", "", 0),
        ("volt", "volt", 0),
        ("volt", "vlot", 1),
        ("ovlt", "volt", 1),
        ("votl", "volt", 1),
        ("vollt", "volt", 1),
        ("vol", "volt", 1),
        ("bolt", "volt", 1),
        ("current", "curent", 1),
        ("ucrrent", "currnet", 2),
        ("temp", "trmp", 1),
        ("ca", "abc", 3),  # a swap may not be cut into afterwards
        ("kitten", "sitting", 3),
    ],
)
def test_the_distance_between_words(one: str, other: str, distance: int):
    assert _distance(one, other, 9) == _distance(other, one, 9) == distance
    if abs(len(one) - len(other)) > 1:
        assert _distance(one, other, 1) == 2


def test_how_far_a_word_may_be_off():
    # Two signs of a word of seven or more, one from four on, none of a shorter one.
    assert _word_distance("curent", "current") == 1
    assert _word_distance("curretn", "current") == 1
    assert _word_distance("curemt", "current") == 2
    assert _word_distance("cuemt", "current") > 2
    assert _word_distance("voltag", "voltage") == 0  # its beginning
    assert _word_distance("volts", "voltage") == 0
    assert _word_distance("vo", "voltage") > 2
    assert _word_distance("mtor", "motor") == 1
    assert _word_distance("mtro", "motor") > 2
    assert _word_distance("cel", "cell") == 0 and _word_distance("clel", "cell") == 1
    assert _word_distance("colls", "cell") > 2
    assert _word_distance("dut", "duy") > 2 and _word_distance("x", "y") > 2
    assert _word_distance("otor", "motor") > 2  # it has to begin alike
    assert _word_distance("7", "7a") > 2 and _word_distance("", "cell") > 2


def test_which_standard_name_was_meant():
    assert nearest_name("battery_current") is None
    assert nearest_name("batteryCurrent") == ("battery_current", 0)
    assert nearest_name("Battery-Curent") == ("battery_current", 0)
    assert nearest_name("cell_voltage7") == ("cell_voltage", 7)
    assert nearest_name("CELLVOLTAGE_12") == ("cell_voltage", 12)
    assert nearest_name("cell_voltage_999") == ("cell_voltage", 255)
    assert nearest_name("motor_temp_degc") == ("motor_temperature", 0)
    assert nearest_name("speed_kmh") == ("speed", 0)
    assert nearest_name("motor_current_q") is None
    assert nearest_name("horn") is None


@pytest.mark.parametrize("unit", ["°F", "F", "degF"])
def test_degrees_fahrenheit_are_turned(unit: str):
    # °C = (°F − 32) / 1.8 and K − 273.15: NIST SP 811, appendix B.8.
    assert unit_remedy(unit, "°C") == f"send it in °C: ({unit} minus 32) / 1.8"
    assert unit_remedy("K", "°C") == "send it in °C: K minus 273.15"
    assert unit_remedy("F", "V") == "" and unit_remedy("ppm", "°C") == ""
    assert unit_remedy("Volts", "V") == "write the unit as V"
    assert unit_remedy("mph", "m/s") == "send it in m/s: mph times 0.44704"


def test_what_a_piece_of_the_link_says_of_the_device():
    gate = VersionGate()
    assert device_record(None, gate) is None
    assert device_record(End(AT, 0, 0).encode(), gate) is None
    for record in (Board(1, 2, 3, 0, "k"), FAST, samples(0, 0), Event(1, 0, 0, EventKind.NOTE)):
        assert device_record(record.encode(), gate) == record
    assert device_record(b"\x41later", gate) is None
    other = Board(1, 0, 0, 0, "k", "", (2, 0)).encode()
    assert device_record(other, gate) is None and not gate.device
    assert device_record(samples(0, 0).encode(), gate) is None


def test_every_record_is_handed_back_with_its_segment():
    reader = DeviceReader()
    board, event = Board(1, 5, 0, 1, "k"), Event(1, 0, 50, EventKind.NOTE)
    given = [board, FAST, samples(0, 10, 3), event, samples(3, 20)]
    heard = [reader.take(record) for record in given]
    assert [one.record for one in heard] == given
    assert all(one.segment is reader.segment for one in heard)
    assert [one.clock for one in heard] == [5, 0, 10, 50, 20]
    assert [one.lost for one in heard] == [0] * 5
    assert list(reader.segment.described.values()) == [FAST]
    again = reader.take(given[2])
    assert (again.record, again.segment) == (given[2], reader.segment)
    assert (again.verdict, again.clock) == (Verdict.REPEATED, 20)
    assert again.description is None


def test_a_new_start_keeps_the_hosts_clock():
    reader = DeviceReader()
    reader.host(7)
    reader.take(Board(1, 100, 0, 1, "k"))
    reader.take(Board(1, 50, 0, 1, "k"))  # its clock fell: another start
    reader.host(7 + 3 * WRAP)
    assert reader.take(samples(0, 60)).clock == 3 * WRAP + 60
    reader = DeviceReader()
    reader.host(7)
    reader.take(samples(100, 50_000_000))
    reader.take(samples(4, 1_000))  # by its number
    reader.host(7 + 3 * WRAP)
    assert reader.take(samples(5, 2_000)).clock == 3 * WRAP + 2_000


def test_zeros_to_the_end_are_damage_from_a_sector_on():
    assert entries(LOG + b"\0" * 511) == [Entry(0, len(LOG), LogStart())]
    assert entries(LOG + b"\0" * 512)[1:] == [Entry(len(LOG), 512, None, ZEROS, zeros=True)]


def test_an_archive_that_ends_early_says_so_in_its_last_entry(tmp_path: Path):
    noise = random.Random(5).randbytes(3000)
    path = tmp_path / "x.sagline.gz"
    path.write_bytes(gzip.compress(LOG + encode_frame(b"\x41" + noise) + LOG)[:-4])
    with open_log(path) as file:
        found = list(read_log(file))
    whole = 2 * len(LOG) + len(encode_frame(b"\x41" + noise))
    told = "the compressed log ends early; what follows there is not read"
    assert found[-1] == Entry(whole, 0, None, told) and len(found) == 4


def test_what_is_read_says_how_far_it_is(monkeypatch):
    calls: list[tuple] = []
    monkeypatch.setattr(
        log_file,
        "counted",
        lambda things, what, total, size: calls.append((what, total, size)) or things,
    )
    (entry,) = read_shown(io.BytesIO(LOG), "reading x")
    ((what, total, size),) = calls
    assert (what, total, size(entry)) == ("reading x", 0, len(LOG))
    monkeypatch.setattr(log_file, "plain_size", lambda _: 77)
    list(read_shown(io.BytesIO(LOG), "y"))
    assert calls[1][:2] == ("y", 77)


def test_a_log_that_cannot_be_read_is_told(tmp_path: Path, monkeypatch):
    path = tmp_path / "x"
    path.write_bytes(LOG)

    def spoilt(*_: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(log_file, "unwrap", spoilt)
    assert told_of(path) == f"{path}: cannot read the log (Input/output error); check the path"
    with pytest.raises(SaglineError, match=r"^here: not a Sagline log; choose a \.sagline file$"):
        check_is_log(b"\xff\xfe\x80" * 100, "here")
