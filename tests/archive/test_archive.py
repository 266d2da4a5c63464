"""Archives: the log byte for byte, opened by the public gzip tool, never at a file's expense."""

import base64
import gzip
import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from sagline_analyser.archive import archive
from sagline_analyser.load import load_ride
from sagline_logger.format import SaglineError, open_log, wrap_in_page
from support.logs import board, log_bytes, pack
from support.logs import time as time_record
from support.shared_logs import STREAM
from support.started import run_text


def small_log() -> bytes:
    records: list[object] = [board(1), STREAM]
    for n in range(400):
        records += [time_record(10_000 * n), pack(STREAM, n, 10_000 * n, [(n % 97, n)])]
    return log_bytes(records)  # type: ignore[arg-type]


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "ride.sagline"
    path.write_bytes(small_log())
    return path


def command(*words: object, memory: int | None = None) -> "subprocess.CompletedProcess[str]":
    """Run a program as a child, with at most ``memory`` bytes of address space."""
    if memory is None:
        program, *rest = words
        return run_text([str(program).removesuffix(".cli"), *rest])

    def bound() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (memory, memory))

    return subprocess.run(
        [sys.executable, "-m", *map(str, words)],
        capture_output=True,
        text=True,
        timeout=300,
        preexec_fn=bound,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )


def test_the_archive_is_the_log_to_the_public_tool(log: Path) -> None:
    before = log.read_bytes()
    done = command("sagline_analyser.cli", "archive", log)
    assert done.returncode == 0, done.stderr
    path = log.with_name("ride.sagline.gz")
    ratio = len(before) / path.stat().st_size
    assert str(path) in done.stdout and f"{ratio:.2f}" in done.stdout
    assert log.read_bytes() == before
    unpacked = subprocess.run(["gzip", "-dc", str(path)], capture_output=True, check=True)
    assert unpacked.stdout == before
    # RFC 1952 §2.3: flags (byte 3) and time (bytes 4 to 7) are zero: no name, no date.
    assert path.read_bytes()[3:8] == bytes(5)


def test_nothing_is_overwritten(log: Path) -> None:
    there = log.with_name("ride.sagline.gz")
    there.write_bytes(b"precious")
    with pytest.raises(SaglineError, match="not overwritten"):
        archive(log)
    assert there.read_bytes() == b"precious"


def test_a_log_that_changes_meanwhile_leaves_no_archive(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def written_to_meanwhile(descriptor: int) -> None:
        with log.open("ab") as file:
            file.write(b"more")

    monkeypatch.setattr(os, "fsync", written_to_meanwhile)
    with pytest.raises(SaglineError, match="does not read back the same"):
        archive(log, tmp_path / "out.gz")
    assert not (tmp_path / "out.gz").exists()


def test_an_archive_is_not_archived_again(log: Path) -> None:
    packed = archive(log).path
    with pytest.raises(SaglineError, match="already compressed"):
        archive(packed)


def test_every_reader_takes_an_archive(log: Path) -> None:
    packed = archive(log).path
    with open_log(packed) as file:
        assert file.read() == log.read_bytes()
    one, other = load_ride(log), load_ride(packed)
    assert one.streams.keys() == other.streams.keys()
    for name, stream in one.streams.items():
        for key, raw in stream.raw.items():
            assert (raw == other.streams[name].raw[key]).all()
    for program, name in (("logger", "verify"), ("analyser", "summary")):
        texts = [command(f"sagline_{program}.cli", name, path) for path in (log, packed)]
        assert texts[0].returncode == texts[1].returncode == 0, texts[1].stderr
        assert texts[0].stdout.replace(str(log), "") == texts[1].stdout.replace(str(packed), "")


def test_joined_members_are_joined_logs(log: Path, tmp_path: Path) -> None:
    packed = archive(log).path.read_bytes()
    joined = tmp_path / "two.gz"
    joined.write_bytes(packed + packed)  # RFC 1952 §2.2: members appear one after another
    with open_log(joined) as file:
        assert file.read() == log.read_bytes() * 2


def test_an_archive_of_which_nothing_is_left_says_so(log: Path) -> None:
    packed = archive(log).path
    packed.write_bytes(packed.read_bytes()[:12])
    with pytest.raises(SaglineError, match="ends early"):
        load_ride(packed)


@pytest.mark.parametrize("cut", [300, 1000, -9, -1])
def test_of_a_cut_archive_is_read_what_is_whole(log: Path, cut: int) -> None:
    """The bytes that the public tool gives before it complains are the file."""
    whole = log.read_bytes()
    packed = archive(log).path
    packed.write_bytes(packed.read_bytes()[:cut])
    public = subprocess.run(["gzip", "-dc", str(packed)], capture_output=True)
    assert public.returncode != 0
    with open_log(packed) as file:
        read = file.read()
    assert read.startswith(public.stdout) and whole.startswith(read)
    if cut < 0:  # the log itself is whole, its checksum is not
        assert read == whole
    ride = load_ride(packed)
    assert any("the compressed log ends early" in line for line in ride.warnings)
    assert ride.quality.damaged_frames >= 1

    done = command("sagline_logger.cli", "verify", packed)
    assert done.returncode == 0 and "the compressed log ends early" in done.stdout
    assert "Nothing lost" not in done.stdout


def test_of_a_damaged_archive_is_read_what_stands_before(log: Path) -> None:
    whole = log.read_bytes()
    packed = archive(log).path
    data = bytearray(packed.read_bytes())
    data[-6] ^= 0x55  # the checksum: all that stands before it may be right
    packed.write_bytes(data)
    with open_log(packed) as file:
        assert file.read() == whole
    assert load_ride(packed).quality.damaged_frames == 1
    data[len(data) // 2] ^= 0x55
    packed.write_bytes(data)
    ride = load_ride(packed)
    assert any("the compressed log" in line for line in ride.warnings)
    first = next(iter(ride.streams.values())).raw["battery_current"]
    assert 0 < len(first) < 400 and (first[:50] == [n % 97 for n in range(50)]).all()


def test_bombs_are_refused_in_bounded_memory(tmp_path: Path) -> None:
    """The readers get 1.5 GB of address space; the bombs unfold to 4 GB."""
    data = gzip.compress(small_log()) + gzip.compress(bytes(1 << 25), 1) * 128
    (tmp_path / "bomb.sagline.gz").write_bytes(data)
    (tmp_path / "bomb.html").write_text("<!doctype html>" + wrap_in_page(data))
    for program, word, name in (
        ("logger", "verify", "bomb.sagline.gz"),
        ("analyser", "summary", "bomb.html"),
    ):
        done = command(f"sagline_{program}.cli", word, tmp_path / name, memory=3 << 29)
        assert done.returncode == 1, (name, program, done.stderr[-500:])
        assert "out of all proportion" in done.stderr and done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("page", "message"),
    [
        ("<!doctype html><p>a report", "holds no log"),
        ('<!doctype html><script type="text/plain" id="sagline-log">%%%</script>', "damaged"),
        ('<!doctype html><script type="text/plain" id="sagline-log">QUJD</script>', "damaged"),
        ('<!DOCTYPE html><script type="text/plain" id="sagline-log">H4sI', "early"),
        ('<!doctype html><script type="text/plain" id="sagline-log">H4sIAAAA</script>', "early"),
    ],
)
def test_hostile_pages(tmp_path: Path, page: str, message: str) -> None:
    path = tmp_path / "shared.html"
    path.write_text(page)
    with pytest.raises(SaglineError, match=message) as caught:
        load_ride(path)
    assert "\n" not in str(caught.value)


def test_of_a_cut_page_is_read_what_is_whole(log: Path, tmp_path: Path) -> None:
    """The public tool gives the same of the archive that stands in it up to the cut."""
    page = "<!doctype html><title>ride</title>" + wrap_in_page(gzip.compress(log.read_bytes()))
    shared = tmp_path / "shared.html"
    cut = page[: page.index("</script>") // 2]
    shared.write_text(cut)
    text = cut.partition('id="sagline-log">')[2]
    packed = base64.b64decode(text[: len(text) // 4 * 4])
    public = subprocess.run(["gzip", "-dc"], input=packed, capture_output=True)
    assert public.returncode != 0
    with open_log(shared) as file:
        read = file.read()
    assert read.startswith(public.stdout) and log.read_bytes().startswith(read)
    ride = load_ride(shared)
    assert 0 < len(ride.streams["fast"].time) < 400 and ride.quality.damaged_frames >= 1


def test_a_log_in_a_page_beyond_all_bounds(tmp_path: Path) -> None:
    path = tmp_path / "long.html"
    with path.open("wb") as file:
        file.write(b'<!doctype html><script type="text/plain" id="sagline-log">H4sIAAAA')
        file.truncate(40 << 20)  # sparse
    with pytest.raises(SaglineError, match="does not end within 32 MiB"):
        load_ride(path)


def test_a_page_without_end(tmp_path: Path) -> None:
    path = tmp_path / "endless.html"
    with path.open("wb") as file:
        file.write(b"<!doctype html>")
        file.truncate(40 << 30)  # sparse
    done = command("sagline_logger.cli", "verify", path, memory=1 << 29)
    assert done.returncode == 1 and "holds no log" in done.stderr, done.stderr
