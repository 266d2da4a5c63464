"""The library: right figures, each ride worked out once, and an index that nothing breaks."""

import contextlib
import gzip
import json
import os
import random
import signal
import socket
import sqlite3
import subprocess
import sys
import time

import numpy as np
import pytest

from sagline_analyser.cli import main
from sagline_analyser.findings.readings.summary import summarise
from sagline_analyser.load import load_ride
from sagline_analyser.rides import RideFigures, figures_of, open_library
from sagline_analyser.rides.index import NAME
from sagline_analyser.rides.library import LibraryEntry
from sagline_analyser.rides.listing import Filter, table
from sagline_logger.format import SaglineError
from support.capture import PATIENCE, wait_until
from support.late import late
from support.ride_library import cell_resistances, deadly, small_ride, write_rides

distributed = late("distributed")


def command(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "sagline_analyser.cli", "rides", *map(str, arguments)]


def named(library, name: str) -> RideFigures:
    return next(entry.figures for entry in library.rides if entry.path == name)


def test_the_figures_are_those_of_the_ride(known, written):
    assert [entry.path for entry in known.rides] == sorted(
        p.name for p in written.glob("*.sagline")
    )
    for number in (0, 70):
        figures = named(known, f"ride_{number:04d}.sagline")
        # Against the resistances that the rides were made with, within the stated interval.
        for cell, truth in zip(figures.packs[-1].cells, cell_resistances(number), strict=True):
            assert abs(cell.resistance - truth) <= cell.resistance_error
        ride = load_ride(written / f"ride_{number:04d}.sagline")
        summary = summarise(ride)
        assert figures.distance == summary.get("distance")
        assert figures.energy == summary.get("energy_net")
        assert (figures.board, figures.started) == ("Kestrel", ride.started_wall)
        # The cells were made to drift apart by 0.1 mV a ride and cell.
        assert figures.packs[-1].balance == pytest.approx(0.0003 * number, abs=0.001)
        assert RideFigures.from_text(figures.as_text()) == figures


def test_only_what_is_new_or_changed_is_worked_out(tmp_path, counted):
    work, done = counted
    write_rides(tmp_path, 2)
    (tmp_path / "far" / "below").mkdir(parents=True)
    archive = tmp_path / "far" / "below" / "old.sagline.gz"
    archive.write_bytes(gzip.compress(small_ride(5)))
    same = tmp_path / "ride_0000.sagline.gz"  # beside its log it is no ride of its own
    same.write_bytes(gzip.compress(small_ride(0)))

    def look():
        done.clear()
        return open_library(tmp_path, processes=1, work=work)

    assert len(look().rides) == 3
    assert sorted(done) == ["old.sagline.gz", "ride_0000.sagline", "ride_0001.sagline"]
    again = look()
    assert (len(again.rides), done) == (3, [])
    write_rides(tmp_path, 1, 2)
    look()
    assert done == ["ride_0002.sagline"], "one more ride costs one ride's work"

    first = tmp_path / "ride_0000.sagline"
    before = first.stat()
    first.write_bytes(small_ride(0, faults=2))
    assert named(look(), first.name).fault_count == 2
    assert done == [first.name]
    # The same size and the same time, but other bytes at the end.
    data = small_ride(0, faults=2)
    status = first.stat()
    first.write_bytes(data[:-40] + bytes(40))
    os.utime(first, ns=(status.st_atime_ns, status.st_mtime_ns))
    look()
    assert done == [first.name]
    assert before.st_size < status.st_size
    with contextlib.closing(sqlite3.connect(tmp_path / NAME)) as index, index:
        index.execute("UPDATE rides SET form = 'of an earlier Sagline'")
    assert len(look().rides) == len(done) == 4
    assert (len(look().rides), done) == (4, [])

    first.unlink()
    same.unlink()
    gone = look()
    assert (gone.removed, [e.path for e in gone.rides], done) == (
        1,
        ["ride_0001.sagline", "ride_0002.sagline", "far/below/old.sagline.gz"],
        [],
    )


def test_a_damaged_file_has_its_line_and_is_not_tried_again(tmp_path, counted):
    work, done = counted
    write_rides(tmp_path, 1)
    (tmp_path / "noise.sagline").write_bytes(random.Random(1).randbytes(5000))
    (tmp_path / "empty.sagline").touch()
    for times in (2, 0):
        done.clear()
        library = open_library(tmp_path, work=work, processes=1)
        assert named(library, "noise.sagline").problem.startswith("not a Sagline log")
        assert named(library, "empty.sagline").problem.startswith("the file is empty")
        assert len([name for name in done if not name.startswith("ride")]) == times
    shown = "\n".join(table(library.rides))
    assert "damaged" in shown and "noise.sagline" in shown
    (tmp_path / "noise.sagline").write_bytes(small_ride(3))
    assert named(open_library(tmp_path, work=work), "noise.sagline").problem == ""


def test_a_list_from_the_index_loads_nothing_heavy(known, written):
    run = subprocess.run(
        [sys.executable, "-X", "importtime", *command(written)[1:]],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert run.returncode == 0 and "8 of 8 rides\n" in run.stdout
    names = {line.rsplit("|", 1)[1].strip().split(".")[0] for line in run.stderr.splitlines()[1:]}
    assert "sqlite3" in names
    assert not names & {"numpy", "pandas", "plotly", "distributed", "multiprocessing"}


def test_a_dask_cluster_gives_the_same(known, written, tmp_path):
    for entry in known.rides[:4]:
        (tmp_path / entry.path).symlink_to(written / entry.path)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        done = subprocess.run(
            command(tmp_path, "--engine", cluster.scheduler_address),
            capture_output=True,
            text=True,
            timeout=300,
        )
    assert (done.returncode, done.stderr) == (0, "")
    assert "4 of 4 rides; 4 new or changed" in done.stdout
    library = open_library(tmp_path)
    assert (library.worked, library.rides) == (0, known.rides[:4])


def test_one_process_gives_the_same_as_two(known, written):
    for entry in known.rides[::4]:
        assert figures_of(str(written / entry.path)) == entry.figures


def test_no_scheduler_is_one_clear_line(tmp_path, capsys):
    write_rides(tmp_path, 1)
    for address in ("nonsense://x", "rubbish", "host:", ":8786", "a b:1", "tcp://", "host:port"):
        assert main(["rides", str(tmp_path), "--engine", address]) == 1
        (line,) = capsys.readouterr().err.splitlines()
        assert f"{address}: is no address of a Dask scheduler; give HOST:PORT" in line


@pytest.mark.parametrize(
    "address", ["nonsense://x:1", "127.0.0.1:{free}", "tcp://127.0.0.1:{free}"]
)
def test_where_no_scheduler_answers_it_is_one_line_and_no_traceback(address, tmp_path):
    write_rides(tmp_path, 1)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        free = taken.getsockname()[1]
    done = subprocess.run(
        command(tmp_path, "--engine", address.format(free=free)),
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    assert "no Dask scheduler answers" in line


def test_a_ride_that_ends_its_process_costs_no_other(tmp_path):
    write_rides(tmp_path, 4)
    (tmp_path / "deadly.sagline").write_bytes(small_ride(9))
    library = open_library(tmp_path, processes=2, work=deadly)
    assert "ended the program" in named(library, "deadly.sagline").problem
    assert [entry.figures.problem for entry in library.rides[:4]] == [""] * 4


def test_two_at_once_and_kills_leave_a_sound_index(tmp_path):
    write_rides(tmp_path, 12)
    luck = random.Random(7)

    def start() -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            command(tmp_path, "--processes", 1),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )

    def stored() -> int:
        try:
            with sqlite3.connect(tmp_path / NAME, timeout=30) as database:
                return int(database.execute("SELECT count(*) FROM rides").fetchone()[0])
        except sqlite3.OperationalError:  # not made yet
            return 0

    for _ in range(2):
        both = [start(), start()]
        had = stored()
        wait_until(
            lambda had=had, both=both: stored() > had or all(p.poll() is not None for p in both)
        )
        time.sleep(luck.uniform(0, 0.3))  # a random moment, nothing is waited for
        for process in both:
            with contextlib.suppress(ProcessLookupError):  # it was done already
                os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
        with sqlite3.connect(tmp_path / NAME, timeout=30) as database:
            assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    both = [start(), start()]
    for process in both:
        out, errors = process.communicate(timeout=PATIENCE)
        assert (process.returncode, errors) == (0, b""), errors
        assert b"12 of 12 rides" in out
    library = open_library(tmp_path)
    assert library.worked == 0
    for entry in library.rides[::5]:
        assert entry.figures == figures_of(str(tmp_path / entry.path))


@pytest.mark.parametrize("harm", ["noise", "front", "middle", "other table", "rubbish in a row"])
def test_a_damaged_index_is_made_anew(tmp_path, harm, counted):
    work, done = counted
    write_rides(tmp_path, 2)
    before = open_library(tmp_path, work=work, processes=1)
    index = tmp_path / NAME
    data = index.read_bytes()
    if harm == "other table":
        with sqlite3.connect(index) as database:
            database.execute("ALTER TABLE rides RENAME COLUMN form TO shape")
    elif harm == "rubbish in a row":
        with sqlite3.connect(index) as database:
            database.execute("UPDATE rides SET figures = '{\"board\": 3}'")
    else:
        noise = random.Random(3).randbytes(len(data))
        kept = {"noise": 0, "front": 100, "middle": 4096}[harm]
        index.write_bytes(data[:kept] + noise[kept:])
    done.clear()
    after = open_library(tmp_path, work=work, processes=1)
    assert after.rides == before.rides
    assert len(done) == 2
    done.clear()
    assert open_library(tmp_path, work=work, processes=1).rides == before.rides
    assert done == []


def test_where_the_directory_takes_no_index(tmp_path, monkeypatch, counted):
    work, done = counted
    rides = tmp_path / "rides"
    write_rides(rides, 1)
    (rides / NAME).mkdir()  # stands in its way, for the superuser as well
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    assert "cannot write to" in open_library(rides, work=work).notes[0]
    assert len(list((tmp_path / "cache" / "sagline").iterdir())) == 1
    open_library(rides, work=work)
    assert len(done) == 1
    monkeypatch.setenv("XDG_CACHE_HOME", str(rides / "ride_0000.sagline"))
    library = open_library(rides, work=work)
    assert "worked out anew each time" in library.notes[0]
    assert len(library.rides) == 1


def test_filters(known):
    entries = [
        *known.rides,
        LibraryEntry(
            "other", RideFigures(board="Petrel", started=0.0, faults=((7, "stage too warm", 2),))
        ),
        LibraryEntry("bad", RideFigures(problem="not a Sagline log")),
    ]

    def shown(**wanted: object) -> list[str]:
        chosen = Filter(**wanted)  # type: ignore[arg-type]
        return [entry.path for entry in entries if chosen.shows(entry)]

    assert len(shown()) == 10
    assert shown(board="petrel") == ["other"]
    assert len(shown(settings=(("battery_current_limit", "20.0"),))) == 8
    assert shown(settings=(("battery_current_limit", "21"),)) == []
    assert shown(settings=(("absent", "21"),)) == []
    started = known.rides[3].figures.started
    assert shown(since=started) == [entry.path for entry in known.rides[3:]]
    for fault in ("7", "any", "TOO WARM"):
        assert shown(fault=fault) == ["other"]
    assert shown(fault="8") == shown(fault="cold") == []


def test_the_command(written, known, capsys):
    assert main(["rides", str(written), "--since", "2026-07-01", "--board", "KESTREL"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[-1] == "4 of 8 rides"
    assert lines[1].split()[:3] == ["2026-07-07", "20:26", "Kestrel"]
    assert main(["rides", str(written), "--json"]) == 0
    rides = json.loads(capsys.readouterr().out)["rides"]
    assert len(rides) == 8 and rides[0]["packs"][0]["cells"][2]["number"] == 3
    assert main(["rides", str(written / "none")]) == 1
    assert "is no directory" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main(["rides", str(written), "--since", "yesterday"])
    assert "is no date" in capsys.readouterr().err


def test_a_board_cannot_write_on_the_terminal():
    odd = RideFigures(board="\x1b[2Jx\n", started=1e300, distance=None)
    text = "\n".join(table([LibraryEntry("a\udcff", odd)]))
    assert "\x1b" not in text and text.count("\n") == 1
    text.encode()


def test_an_unwritable_page_is_one_clear_line(written, known, capsys):
    assert main(["rides", str(written), "-o", str(written / "no" / "t.html")]) == 1
    assert "cannot write" in capsys.readouterr().err
    with pytest.raises(SaglineError, match="no rides to draw"):
        from sagline_analyser.rides.trends import write_trends

        write_trends([], written / "t.html", "here")


def test_resistances_grow_as_they_were_made(known):
    third = [entry.figures.packs[-1].cells[2].resistance for entry in known.rides]
    slope = np.polyfit(np.arange(0, 80, 10), third, 1)[0]
    assert slope == pytest.approx(cell_resistances(1)[2] - cell_resistances(0)[2], rel=0.05)


@pytest.mark.parametrize("lock", ["IMMEDIATE", "EXCLUSIVE"])
def test_an_index_that_another_program_holds_is_waited_for_a_second_and_not_written(lock, tmp_path):
    write_rides(tmp_path, 3)
    with contextlib.closing(sqlite3.connect(tmp_path / NAME, isolation_level=None)) as other:
        first = open_library(tmp_path)
        assert first.worked == 3
        (tmp_path / "new.sagline").write_bytes(small_ride(7))
        before = (tmp_path / NAME).read_bytes()
        other.execute(f"BEGIN {lock}")
        began = time.monotonic()
        held = open_library(tmp_path)
        assert time.monotonic() - began >= 1.0
        assert len(held.rides) == 4  # the list is whole all the same
        assert held.worked == (1 if lock == "IMMEDIATE" else 4)
        assert any("another program is writing the index" in note for note in held.notes)
        other.execute("ROLLBACK")
    assert (tmp_path / NAME).read_bytes() == before
    free = open_library(tmp_path)
    assert (free.worked, len(free.rides)) == (1, 4)
