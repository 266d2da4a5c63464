"""The sketches: built by a real builder of such libraries, by three compilers, and run."""

import json
import re
import subprocess
from pathlib import Path

import pytest

from emitters.test_examples import pieces, taken
from sagline_analyser import load_ride
from sagline_logger.format import Board, Samples, Stream
from support.capture import command
from support.emitters import CORTEX_M, CPP11, EXAMPLES, HEADER, HERE, run

SKETCHES = ("serial_lead", "memory_card", "radio_module", "two_controllers")
STAND_IN = HERE / "arduino"
SANITIZE = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"]


def test_every_sketch_is_here() -> None:
    assert {path.stem for path in EXAMPLES.glob("*/*.ino")} == set(SKETCHES)
    assert all(path.parent.name == path.stem for path in EXAMPLES.glob("*/*.ino"))


def compiled(out: Path, compiler: list[str], *sources: Path) -> Path:
    include = [f"-I{STAND_IN}", f"-I{HEADER / 'src'}", "-I", str(EXAMPLES / "two_controllers")]
    done = subprocess.run(
        [*compiler, *include, "-o", str(out), *map(str, sources)], capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, "")
    return out


@pytest.fixture(scope="module")
def programs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Every sketch as a program for this computer, compiled as C++11; ``read``: the one of two
    controllers with readings written."""
    folder = tmp_path_factory.mktemp("sketches")
    own = EXAMPLES / "two_controllers" / "readings.cpp"
    more = dict.fromkeys(SKETCHES, ()) | {"two_controllers": (own,)}
    made = {"read": ("two_controllers", (STAND_IN / "readings.cpp",))} | {
        name: (name, sources) for name, sources in more.items()
    }
    compiler = [*CPP11, *SANITIZE]
    core = compiled(folder / "core.o", [*compiler, "-c"], STAND_IN / "core.cpp")
    for what, (name, sources) in made.items():
        sketch = compiled(folder / f"{what}.o", [*compiler, "-c"], EXAMPLES / name / f"{name}.ino")
        parts = [
            compiled(folder / f"{what}{n}.o", [*compiler, "-c"], source)
            for n, source in enumerate(sources)
        ]
        compiled(folder / what, ["g++", *SANITIZE], sketch, core, *parts)
    return {what: folder / what for what in made}


@pytest.mark.parametrize("name", SKETCHES)
@pytest.mark.parametrize("chip", ["cortex-m0plus", "cortex-m4"])
def test_for_32_bit_chips(name: str, chip: str, tmp_path: Path) -> None:
    quiet = ["-fno-exceptions", "-fno-rtti", "-c"]
    compiler = ["arm-none-eabi-g++", f"-mcpu={chip}", *CORTEX_M, *CPP11[1:], *quiet]
    compiled(tmp_path / "out.o", compiler, EXAMPLES / name / f"{name}.ino")


@pytest.fixture(scope="module")
def libraries(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of libraries as people have: ours as it is, and one for memory cards, which Debian
    does not bring (ours writes to the serial port)."""
    folder = tmp_path_factory.mktemp("libraries")
    (folder / "Sagline").symlink_to(HEADER)
    (folder / "SD" / "src").mkdir(parents=True)
    words = "name version author maintainer sentence paragraph category url architectures"
    (folder / "SD" / "library.properties").write_text(
        "".join(f"{word}=SD\n" for word in words.split()).replace(
            "architectures=SD", "architectures=*"
        )
    )
    card = (STAND_IN / "SD.h").read_text().replace("fflush(stdout)", "")
    (folder / "SD" / "src" / "SD.h").write_text(card)
    return folder


@pytest.mark.parametrize(
    ("name", "chip"), [*((name, "uno") for name in SKETCHES), ("radio_module", "leonardo")]
)
def test_the_builder_takes_the_library_as_it_is_and_builds_for_8_bit_chips(
    name: str, chip: str, libraries: Path, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Debian's arduino-builder and arduino-core-avr: the library is found by its layout alone."""
    cache = tmp_path_factory.getbasetemp() / "core"
    cache.mkdir(exist_ok=True)
    done = subprocess.run(
        [
            "arduino-builder",
            "-compile",
            "-hardware",
            "/usr/share/arduino/hardware",
            "-hardware",
            "/usr/share/arduino-builder",
            "-tools",
            "/usr/bin",
            "-libraries",
            libraries,
            "-fqbn",
            f"arduino:avr:{chip}",
            "-build-path",
            tmp_path,
            "-build-cache",
            cache,
            "-warnings",
            "all",
            # Debian's compiler is older than the core expects.
            "-prefs",
            "build.extra_flags=-DDECIMAL_DIG=17 {build.usb_flags}",
            EXAMPLES / name / f"{name}.ino",
        ],
        capture_output=True,
        text=True,
        timeout=300,
    )
    said = done.stdout + done.stderr
    assert done.returncode == 0, said
    ours = [line for line in said.splitlines() if "warning" in line and "sagline" in line.lower()]
    assert ours == []
    flash, ram = (
        int(re.search(rf"{what} uses? (\d+) bytes", said)[1])  # type: ignore[index]
        for what in ("Sketch", "Global variables")
    )
    assert flash < 14_000 and ram < 1100, (flash, ram)  # of 32,256 and 2048 on the smaller chip


@pytest.mark.parametrize("start", [0, 2**32 - 1_000_000], ids=["", "the clock wraps"])
def test_the_serial_sketch_sends_every_sample(start: int, programs: dict[str, Path]) -> None:
    records = pieces(run(programs["serial_lead"], START=start))
    assert [type(record) for record in records[:2]] == [Board, Stream]
    assert taken(records)["fast"] == [(58 * n, 100) for n in range(300)]


def test_the_card_sketch_writes_a_log_that_verifies(
    programs: dict[str, Path], tmp_path: Path
) -> None:
    log = tmp_path / "ride.sagline"
    log.write_bytes(run(programs["memory_card"]))
    status, report, errors = command("verify", log)
    assert (status, errors) == (0, [])
    assert "300 samples in 12 frames, 0 lost" in report
    assert report.endswith("Nothing lost up to where it was cut.\n")
    log.write_bytes(log.read_bytes() + run(programs["memory_card"]))  # the next start
    status, report, _ = command("verify", log)
    assert status == 0 and "2 captures are joined in this file" in report


def test_over_the_radio_whole_frames_only_and_every_loss_counted(
    programs: dict[str, Path],
) -> None:
    records = pieces(run(programs["radio_module"]))
    boards = [n for n, record in enumerate(records) if isinstance(record, Board)]
    assert len(boards) == 2  # it was joined twice
    for first in boards:
        assert isinstance(records[first + 1], Stream)
    samples = [record for record in records if isinstance(record, Samples)]
    assert samples[0].sequence >= 20  # half a second at 50 a second, counted while nobody listened
    stream = next(record for record in records if isinstance(record, Stream))
    for record in samples:  # each sample is its own number: nothing shifted
        rows = record.rows(stream)
        assert [row[0] for row in rows] == [
            58 * n for n in range(record.sequence, record.sequence + len(rows))
        ]
    assert len(samples) == 7  # of ten, in the second and the half that somebody listened


def test_two_controllers_and_a_cell_monitor(programs: dict[str, Path], tmp_path: Path) -> None:
    log = tmp_path / "ride.sagline"
    log.write_bytes(run(programs["read"]))
    status, report, _ = command("verify", log)
    assert status == 0 and report.endswith("Nothing lost up to where it was cut.\n")
    ride = load_ride(log)
    one = {
        key: set(column[column == column])
        for stream in ride.streams.values()
        for key, column in stream.values.items()
    }
    assert one["controller_battery_current_1"] == {10.0}
    assert one["controller_battery_current_2"] == {10.1}
    assert one["motor_current_2"] == {-20.1} and one["motor_speed_2"] == {3001.0}
    assert one["duty_cycle_1"] == {0.5} and one["motor_temperature_1"] == {41.5}
    assert one["controller_temperature_1"] == one["cell_voltage_3"] == set()  # not given, not sent
    assert one["cell_voltage_12"] == {3.611}
    drive = ride.streams["drive"].values
    assert (
        0 < sum(drive["motor_current_2"] != drive["motor_current_2"]) < 150
    )  # silent now and then


def test_left_as_it_is_two_controllers_says_that_nothing_is_read(
    programs: dict[str, Path], tmp_path: Path
) -> None:
    log = tmp_path / "ride.sagline"
    log.write_bytes(run(programs["two_controllers"]))
    status, report, _ = command("channels", "--json", log)
    assert status == 0
    channels = [c for stream in json.loads(report)["streams"] for c in stream["channels"]]
    assert len(channels) == 8 + 4 + 12
    assert all(one["missing"] == one["samples"] > 0 for one in channels)


@pytest.mark.parametrize("name", SKETCHES)
def test_every_channel_of_the_sketches_is_standard(
    name: str, programs: dict[str, Path], tmp_path: Path
) -> None:
    log = tmp_path / "ride.sagline"
    log.write_bytes(run(programs[name]))
    _, report, _ = command("channels", "--json", log)
    channels = [c for stream in json.loads(report)["streams"] for c in stream["channels"]]
    assert channels and {one["standing"] for one in channels} == {"standard"}
