"""A shared page is a log: the same raw samples at the same times, for every command."""

import io
import json
from pathlib import Path

import numpy as np
import pytest

from sagline_analyser.cli import main
from sagline_analyser.load import load_ride
from sagline_analyser.share import fitting
from sagline_analyser.share.choose import choose, seconds, window_around
from sagline_logger.format import SaglineError, open_log
from share.conftest import command
from support.logs import read_slowly
from support.shared_logs import FAULT_AT, planted, planted_log

STANDARD = ("battery_current", "pack_voltage", "throttle", "cell_voltage_1", "cell_voltage_2")


def test_reopened_it_has_the_same_samples(log: Path, folder: Path) -> None:
    """Both read by the slow reader of the tests too, so that no fast path can hide a slip."""
    ride, again = load_ride(log), load_ride(folder / "page.html")
    (source,), (copy,) = ride.streams.values(), again.streams.values()
    moment = choose(ride)
    window = window_around(ride, moment)
    span = slice(*np.searchsorted(source.time, (window.start, window.end + 1e-9)).tolist())
    assert copy.time.size > 1400
    np.testing.assert_allclose(copy.time, source.time[span] - window.start, atol=20e-6)
    np.testing.assert_array_equal(copy.gap[1:], source.gap[span][1:])
    np.testing.assert_array_equal(copy.segment, source.segment[span])
    for key in STANDARD:
        np.testing.assert_array_equal(copy.raw[key], source.raw[key][span])
    np.testing.assert_array_equal(
        copy.values["motor_temperature_1"], source.values["motor_temperature_1"][span]
    )
    slow = read_slowly(log.read_bytes())
    with open_log(folder / "page.html") as file:
        slow_copy = read_slowly(file.read())
    for key in STANDARD:
        whole = slow.raw[planted("stream name"), key]
        assert slow_copy.raw["stream 1", key] == whole[span]
    assert slow_copy.lost == {"stream 1": 15} and again.quality.lost_samples == {"stream 1": 15}
    (fault,) = [event for event in again.events if event.kind == 1]
    assert (fault.number, fault.index, fault.text) == (17, 1, "")
    assert fault.time == pytest.approx(FAULT_AT - window.start, abs=0.005)
    assert sorted(mark.text for mark in again.marks) == ["", "the moment shared"]
    assert {mark.number for mark in again.marks} == {1, 2}
    assert len(again.segments) == len(ride.segments) == 2 and len(again.link_gaps) == 1


def test_every_command_takes_the_page(tmp_path: Path) -> None:
    log, page = tmp_path / "log.sagline", tmp_path / "page.html"
    log.write_bytes(planted_log())
    assert main(["share", str(log), "-o", str(page)]) == 0
    written = page.read_bytes()
    done = command("verify", page, "--json", program="logger")
    assert done.returncode == 0 and json.loads(done.stdout)["lost_samples"] == 15, done.stderr
    for words in (("summary", page), ("export", page, "--to", "csv"), ("plot", page)):
        done = command(*words)
        assert done.returncode == 0, done.stderr
    assert page.read_bytes() == written  # its report is another file
    assert b"Sagline report" in (tmp_path / "page-report.html").read_bytes()
    again = tmp_path / "again.html"
    done = command("share", page, "--mark", 1, "-o", again)
    assert done.returncode == 0, done.stderr
    with open_log(again) as one, open_log(page) as other:
        a, b = read_slowly(one.read()), read_slowly(other.read())
    assert repr(a.raw) == repr(b.raw)  # NaN alike


def test_the_window_shrinks_until_the_page_fits(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert fitting.MAX_SIZE == 5_000_000
    whole = tmp_path / "whole.html"
    span = ["--before", "40", "--after", "20"]
    assert main(["share", str(log), "-o", str(whole), *span]) == 0
    most = whole.stat().st_size - 3000
    monkeypatch.setattr(fitting, "MAX_SIZE", most)
    small = tmp_path / "small.html"
    assert main(["share", str(log), "-o", str(small), *span]) == 0
    assert small.stat().st_size <= most and "window shortened from 60 s" in capsys.readouterr().out
    assert load_ride(small).duration < load_ride(whole).duration
    monkeypatch.setattr(fitting, "MAX_SIZE", 50_000)
    assert main(["share", str(log), "-o", str(tmp_path / "no.html"), *span]) == 1
    assert "choose a shorter stretch" in capsys.readouterr().err
    assert not (tmp_path / "no.html").exists()


def test_choices_that_are_not_there_name_those_that_are(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ride = load_ride(log)
    assert choose(ride).time == pytest.approx(FAULT_AT, abs=0.01)
    assert choose(ride, fault=1) == choose(ride)
    assert choose(ride, mark=12).time == pytest.approx(FAULT_AT, abs=0.01)
    for wrong, remedy in (
        ({"fault": 9}, r"there are 1: 0:40.0 fault"),
        ({"mark": 9}, "its marks: 12"),
        ({"at": 400.0}, "outside the ride"),
    ):
        with pytest.raises(SaglineError, match=remedy):
            choose(ride, **wrong)  # type: ignore[arg-type]
    assert [seconds(text) for text in ("83.5", "1:23.5", "1:00:01")] == [83.5, 83.5, 3601]
    taken = tmp_path / "taken.html"
    taken.write_text("precious")
    for out, message in ((taken, "not overwritten"), (tmp_path / "no" / "x.html", "cannot write")):
        assert main(["share", str(log), "-o", str(out)]) == 1
        told = capsys.readouterr().err
        assert message in told and told.count("\n") == 1, told
    assert taken.read_text() == "precious"


def test_an_untouched_copy_of_the_log_is_inside(folder: Path) -> None:
    with open_log(folder / "page.html") as file:
        first = file.read()
        file.seek(0)
        assert file.read() == first
        with pytest.raises(io.UnsupportedOperation):
            file.fileno()
