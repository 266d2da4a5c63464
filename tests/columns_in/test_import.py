"""Column files to logs: exact to the declared resolution, read back by the real loader."""

import io
import re
import subprocess
import sys
import tempfile
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sagline_analyser.cli import main
from sagline_analyser.columns_in import convert, load_map, suggest
from sagline_analyser.columns_in.rows import LONGEST_LINE
from sagline_analyser.load import Ride, load_ride
from sagline_logger.format import SaglineError, vocabulary
from sagline_logger.format.columns.column_map import read_map
from sagline_logger.format.columns.line_cells import LineReader
from sagline_logger.format.columns.units import NAMES, conversion
from support.capture import command
from support.late import late
from support.rides import channel, make_ride, make_stream

export = late("sagline_analyser.export")

pd = late("pandas")

TIME = '[time]\ncolumn = "t"\nunit = "s"\n'
VOLTS = '[[columns]]\ncolumn = "v"\nchannel = "pack_voltage"\nresolution = 0.01\n'


def imported(csv: str, plan: str, place: Path, **options: object) -> Ride:
    """Convert a text and return what the loader makes of the log."""
    (place / "in.csv").write_text(csv, encoding="utf-8", newline="")
    (place / "map.toml").write_text(plan, encoding="utf-8")
    log = place / "out.sagline"
    convert(place / "in.csv", load_map(place / "map.toml"), log, **options)  # type: ignore[arg-type]
    ride = load_ride(log)
    assert ride.quality.damaged_frames == ride.quality.undescribed_samples == 0
    return ride


@st.composite
def tables(draw: st.DrawFn) -> tuple[str, str, int, list[list[Decimal | None]], list[int], bool]:
    """Draw (delimiter, decimal mark, µs period or 0, columns of multiples, times µs, semicolon)."""
    rows = draw(st.integers(1, 40))
    places = draw(st.lists(st.integers(0, 6), min_size=1, max_size=4))
    size = draw(st.sampled_from([100, 30_000, 2**31 - 1]))
    columns = [
        draw(
            st.lists(
                st.none() | st.integers(-size, size).map(lambda n, p=p: Decimal(n).scaleb(-p)),
                min_size=rows,
                max_size=rows,
            )
        )
        for p in places
    ]
    period = draw(st.sampled_from([0, 1000, 20_000]))
    steps = st.integers(0, 10**7) | st.just(period) | st.just(3 * 10**9)  # over 35 min: a wrap
    times = np.cumsum([0] + [draw(steps) for _ in range(rows - 1)]).tolist()
    return (draw(st.sampled_from(",;\t|")), "", period, columns, times, draw(st.booleans()))


@settings(max_examples=80)
@given(tables())
def test_what_goes_in_comes_out_exactly(table):
    delimiter, _, period, columns, times, comma = table
    mark = "," if comma and delimiter != "," else "."
    lines = [delimiter.join(["t", *(f"c{n}" for n in range(len(columns)))])]
    for row, time in enumerate(times):
        cells = [f"{Decimal(time).scaleb(-6):f}"]
        cells += ["NaN" if c[row] is None else f"{c[row]:f}" for c in columns]
        lines.append(delimiter.join(cells).replace(".", mark))
    plan = f'[file]\ndelimiter = "{delimiter}"\ndecimal = "{mark}"\n'.replace("\t", "\\t") + TIME
    plan += f'[[streams]]\nname = "table"\nperiod = {Decimal(period).scaleb(-6):f}\n'
    for n, column in enumerate(columns):
        digits = max((-c.as_tuple().exponent for c in column if c is not None), default=0)
        plan += f'[[columns]]\ncolumn = "c{n}"\nchannel = "own{n}"\nunit = "A"\n'
        plan += f"resolution = {Decimal(1).scaleb(-digits):f}\n"
    if all(c is None for column in columns for c in column):
        return  # refused: no readings; see below
    with tempfile.TemporaryDirectory() as place:
        ride = imported("\n".join(lines), plan, Path(place))
    stream = ride.streams["table"]
    # A double holds 19 h in µs far below a tenth of one.
    np.testing.assert_allclose(stream.time * 1e6, np.array(times, float), atol=0.1, rtol=1e-15)
    for n, column in enumerate(columns):
        expected = [np.nan if c is None else float(c) for c in column]
        np.testing.assert_array_equal(stream.values[f"own{n}"], expected)


@given(
    st.lists(st.decimals(-9999, 9999, places=5), min_size=1, max_size=30),
    st.sampled_from(["0.1", "0.25", "0.0125", "1", "50"]),
)
def test_between_two_steps_the_nearest_is_taken(numbers, resolution):
    csv = "t,v\n" + "".join(f"{n},{v}\n" for n, v in enumerate(numbers))
    plan = TIME + VOLTS.replace("0.01", resolution)
    with tempfile.TemporaryDirectory() as place:
        ride = imported(csv, plan, Path(place))
    step = Decimal(resolution)
    expected = [float((v / step).quantize(1, ROUND_HALF_EVEN) * step) for v in numbers]
    np.testing.assert_array_equal(ride.streams["table"].values["pack_voltage"], expected)


CASES = {
    "plain": ({}, "t,v\n0,48.21\n1,48.19\n"),
    "semicolons and decimal commas": (
        {"sep": ";", "decimal": ","},
        "t;v\n0,0;48,21\n0,5;-1,0e1\n",
    ),
    "quotes, blanks and a byte order mark": ({}, '\ufefft,v\n"0", "48.21"\n1,  47.5 \n'),
    "tabs, CR LF and missing readings": ({"sep": "\t"}, "t\tv\r\n0\t48.21\r\n1\tNA\r\n2\t\r\n"),
    "lines before the titles": ({"skiprows": 2}, "my board\nrun 3\nt,v\n0,48.21\n1,48.19\n"),
    "odd numbers": ({}, "t,v\n0,+.5\n1,5.\n2,1e1\n3,-0.0\n"),
}


@pytest.mark.parametrize("name", CASES)
def test_cells_are_read_as_pandas_reads_them(name, tmp_path):
    options, csv = CASES[name]
    reference = pd.read_csv(
        io.StringIO(csv), skipinitialspace=True, encoding="utf-8-sig", **options
    )
    reference.columns = [c.lstrip("\ufeff") for c in reference.columns]
    delimiter = options.get("sep", ",").replace("\t", "\\t")
    plan = (
        f'[file]\ndelimiter = "{delimiter}"\ndecimal = "{options.get("decimal", ".")}"\n'
        f"header = {options.get('skiprows', 0) + 1}\n" + TIME + VOLTS
    )
    stream = imported(csv, plan, tmp_path).streams["table"]
    np.testing.assert_array_equal(stream.values["pack_voltage"], reference["v"].astype(float))
    np.testing.assert_allclose(stream.time, reference["t"] - reference["t"][0], atol=1e-9)


def test_iso_8601_times_as_pandas_reads_them(tmp_path):
    texts = ["2026-05-02T08:30:00+02:00", "2026-05-02T06:30:00.250Z", "2026-05-02 06:31:00,5+00:00"]
    reference = [pd.Timestamp(t.replace(",", ".")).timestamp() for t in texts]
    csv = "t;v\n" + "".join(f"{t};1\n" for t in texts)
    plan = '[file]\ndelimiter = ";"\n' + TIME.replace('"s"', '"iso8601"') + VOLTS
    ride = imported(csv, plan, tmp_path)
    np.testing.assert_allclose(
        ride.streams["table"].time, np.array(reference) - reference[0], atol=1e-9
    )
    assert ride.started_wall == reference[0]


@pytest.mark.parametrize(
    ("unit", "target", "given", "value"),
    [
        # NIST SP 811 (2008), appendix B.8/B.9: 1 mi/h = 0.44704 m/s, 1 km/h = 0.2777778 m/s,
        # 1 kn = 0.5144444 m/s, 1 ft = 0.3048 m, °F to °C (t − 32)/1.8, K to °C T − 273.15.
        ("mph", "m/s", 1, 0.44704),
        ("km/h", "m/s", 1, 0.2777778),
        ("kn", "m/s", 1, 0.5144444),
        ("ft", "m", 1, 0.3048),
        ("°F", "°C", 32, 0.0),
        ("°F", "°C", 212, 100.0),
        ("K", "°C", 0, -273.15),
        ("mV", "V", 3650, 3.65),
        ("rpm", "r/min", 7, 7.0),
        ("%", "1", 45, 0.45),
    ],
)
def test_units_against_the_handbook(unit, target, given, value):
    line = conversion(unit, target)
    assert line is not None
    assert float(given * line.factor + line.offset) == pytest.approx(value, abs=5e-8)
    back = line.inverse()
    assert (given * line.factor + line.offset) * back.factor + back.offset == given


def test_no_unit_leads_to_another_quantity():
    assert conversion("A", "V") is None
    assert conversion("Ah", "A") is None
    assert all(conversion(name, name) is not None for name in NAMES)


def test_a_converted_column_is_exact_to_its_resolution(tmp_path):
    plan = TIME + (
        '[[columns]]\ncolumn = "kmh"\nchannel = "speed"\nunit = "km/h"\nresolution = 0.001\n'
        '[[columns]]\ncolumn = "f"\nchannel = "motor_temperature"\nindex = 1\nlabel = "left"\n'
        'unit = "°F"\nresolution = 0.1\n'
        '[[columns]]\ncolumn = "ma"\nchannel = "battery_current"\nunit = "mA"\nfactor = -1\n'
        "resolution = 0.01\n"
        '[[columns]]\ncolumn = "adc"\nchannel = "throttle"\nfactor = "1/4095"\noffset = -0.5\n'
        "resolution = 0.0001\n"
    )
    ride = imported("t,kmh,f,ma,adc\n0,36,212,-1500,4095\n1,25,70,20000,0\n", plan, tmp_path)
    values = ride.streams["table"].values
    assert values["speed"].tolist() == [10.0, 6.944]
    assert values["motor_temperature_1"].tolist() == [100.0, 21.1]
    assert values["battery_current"].tolist() == [1.5, -20.0]
    assert values["throttle"].tolist() == [0.5, -0.5]
    motor = ride.streams["table"].channels["motor_temperature_1"]
    assert (motor.label, motor.unit) == ("left", vocabulary()["motor_temperature"].unit)


def test_streams_of_their_own_rates_and_missing_rows(tmp_path):
    plan = (
        'board = "Kestrel"\nnote = "bread run"\n[settings]\nbattery_current_limit = 40\n'
        + TIME
        + 'start = "2026-05-02T08:00:00Z"\n[[streams]]\nname = "fast"\nperiod = 0.01\n'
        '[[streams]]\nname = "slow"\nperiod = 0.1\n'
        '[[columns]]\ncolumn = "i"\nchannel = "battery_current"\nresolution = 0.1\n'
        '[[columns]]\ncolumn = "c"\nchannel = "cell_voltage"\nindex = 1\nunit = "mV"\n'
        'resolution = 0.001\nstream = "slow"\n'
    )
    kept = [n for n in range(9000) if not 400 <= n < 450]
    csv = "t,i,c\n" + "".join(f"{n / 100},{n / 10},{3700 if n % 10 == 0 else ''}\n" for n in kept)
    ride = imported(csv, plan, tmp_path)
    fast, slow = ride.streams["fast"], ride.streams["slow"]
    np.testing.assert_allclose(fast.time, np.array(kept) / 100, atol=1e-9)
    np.testing.assert_allclose(slow.time, np.array(kept)[np.array(kept) % 10 == 0] / 100, atol=1e-9)
    assert np.flatnonzero(fast.gap).tolist() == [400], "nothing may be drawn across missing rows"
    assert ride.quality.lost_samples == {"fast": 50, "slow": 5}
    assert (ride.board_name, ride.note) == ("Kestrel", "bread run")
    assert ride.settings == {"battery_current_limit": "40"}
    assert ride.started_wall == pd.Timestamp("2026-05-02T08:00:00Z").timestamp()
    assert ride.quality.ended
    assert command("verify", tmp_path / "out.sagline")[::2] == (0, [])


def test_rows_without_a_time_column(tmp_path):
    plan = "[file]\nheader = 0\n[time]\nstep = 0.25\n" + VOLTS.replace('"v"', "2")
    ride = imported("x,48\nx,47\nx,46\n", plan, tmp_path)
    assert ride.streams["table"].time.tolist() == [0.0, 0.25, 0.5]


def test_our_own_export_comes_back_by_the_suggested_map(tmp_path):
    walk = np.cumsum(np.random.default_rng(4).integers(-50, 50, (5000, 3)), axis=0)
    walk[77, 1] = 10**7
    stream = make_stream(
        "fast",
        3.2 + np.arange(5000) / 50,
        {
            channel("pack_voltage", "V", exponent=-2): walk[:, 0] / 100,
            channel("motor_current", "A", 2): np.where(walk[:, 1] % 7, walk[:, 1] / 1000, np.nan),
            channel("speed", "m/s"): walk[:, 2] / 1000,
        },
    )
    (csv,) = export.export_csv(make_ride(stream), tmp_path / "csv")
    (tmp_path / "map.toml").write_text(suggest(csv), encoding="utf-8")
    log = tmp_path / "again.sagline"
    convert(csv, load_map(tmp_path / "map.toml"), log)
    again = load_ride(log).streams["table"]
    zero = float(f"{stream.time[0]:.6f}")
    np.testing.assert_allclose(again.time + zero, stream.time, atol=1e-6)
    for key, values in stream.values.items():
        np.testing.assert_array_equal(again.values[key], values)
        assert again.channels[key].unit == stream.channels[key].unit


@pytest.mark.parametrize(
    ("csv", "said"),
    [
        ("t,v\n0,1\n1,x\n", ":3: column \"v\": 'x' is not a number; correct it"),
        ("t,v\n0,1\n1\n", ":3: 1 cells where there should be 2; check for a cut line"),
        ("t,v\n0,1\n1,2,3\n", ":3: 3 cells where there should be 2"),
        ("t,v\n5,1\n4,1\n", ":3: the time goes back; sort the rows"),
        ("t,v\nx,1\n", ":2: time: 'x' is not a number"),
        ("t,v\n0,1\n1e30,1\n", ":3: time: '1e30' is too far off"),
        ("t,v\n0,1e999\n", "out of range"),
        ("t,v\n0,99999999999\n", "needs more than 32 bits at this resolution"),
        ("t,v\n0,1_0\n", "is not a number"),
        ("t,v\n0,١\n", "is not a number"),
        ("t,w\n0,1\n", 'no columns with the title "v"; name it by its number'),
        ("t,v,v\n0,1,2\n", '2 columns with the title "v"'),
        ("t,v\n", "no readings in it"),
        ("", "no readings in it"),
        ("t,v\n0,NaN\n", "no readings in it"),
        ("t,v\n0,-1\n1,42900000\n", "pack_voltage goes from -1 to 4.29e+07 V"),
        ("t,v\n0,'\xff\n".encode("latin-1"), "not utf-8-sig text"),
        ('t,v\n0,"' + "1" * 200_000 + '"\n', "the row cannot be split"),
        ("x" * (LONGEST_LINE + 5), "a line of more than"),
        ("t,v\n0,1\0\n", "is not a number"),
    ],
)
def test_bad_files_get_a_clear_line_and_leave_nothing(csv, said, tmp_path, capsys):
    (tmp_path / "in.csv").write_bytes(csv if isinstance(csv, bytes) else csv.encode())
    (tmp_path / "map.toml").write_text(TIME + VOLTS)
    status = main(["import", str(tmp_path / "in.csv"), "--map", str(tmp_path / "map.toml")])
    errors = capsys.readouterr().err
    assert status == 1 and said in errors, errors
    assert all(line.startswith("sagline-analyser: ") for line in errors.splitlines())
    assert not (tmp_path / "in.sagline").exists()


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        ("x = [", "not TOML"),
        (VOLTS, "time names no column"),
        (TIME, "columns are none"),
        (TIME + VOLTS + 'color = "red"\n', ":8: columns.color is not a key of a map"),
        (
            TIME.replace('"s"', '"weeks"') + VOLTS,
            ":3: time.unit must be one of: s, ms, us",
        ),
        (TIME + VOLTS.replace("0.01", "0"), "columns.resolution is not a decimal above zero"),
        (TIME + VOLTS.replace("0.01", '"1/3"'), "columns.resolution is not a decimal above zero"),
        (TIME + VOLTS.replace("0.01", "1e-40"), "columns.resolution must be an ordinary number"),
        (TIME + VOLTS.replace("resolution = 0.01", ""), "has no resolution"),
        (TIME + VOLTS + 'unit = "A"\n', "'A' does not lead to 'V'"),
        (TIME + VOLTS + VOLTS, "pack_voltage is mapped twice"),
        (TIME + VOLTS + 'stream = "x"\n', "'x' is no stream of this map"),
        (TIME + VOLTS + "factor = 0\n", "columns.factor is zero"),
        (
            TIME + VOLTS + "index = 256\n",
            "columns.index must be a whole number of at least 0",
        ),
        ("[file]\nheader = 0\n" + TIME + VOLTS, "is a title in a file without a header"),
        ('[file]\nencoding = "x"\n' + TIME + VOLTS, "file.encoding must be a text encoding"),
        ("time = 3\n" + VOLTS, "time must be a table"),
        ('board = "' + "x" * 49 + '"\n' + TIME + VOLTS, "board must be a text of at most 48 bytes"),
    ],
)
def test_bad_maps_get_a_line_number_and_advice(plan, said):
    with pytest.raises(SaglineError, match="map") as caught:
        read_map(plan, "map.toml")
    assert said in str(caught.value)
    assert caught.value.remedy


@given(st.text(max_size=300) | st.binary(max_size=300).map(lambda b: b.decode("latin-1")))
def test_no_text_is_more_than_a_clear_error(text):
    with tempfile.TemporaryDirectory() as place:
        file = Path(place) / "in.csv"
        file.write_text(text, encoding="utf-8", newline="", errors="replace")
        for attempt in (
            lambda: suggest(file),
            lambda: read_map(suggest(file), "map.toml"),
            lambda: convert(file, read_map(TIME + VOLTS, "m"), Path(place) / "o.sagline"),
        ):
            try:
                attempt()
            except SaglineError as problem:
                assert str(problem)


def test_bad_rows_are_left_out_when_asked(tmp_path):
    ride = imported("t,v\n0,1\n1,x\nbad\n2,3\n", TIME + VOLTS, tmp_path, skip_bad=True)
    values = ride.streams["table"].values["pack_voltage"]
    np.testing.assert_array_equal(values, [1.0, np.nan, 3.0])


def test_the_documented_map_is_one():
    page = (Path(__file__).parents[2] / "docs" / "import.md").read_text(encoding="utf-8")
    (text,) = re.findall(r"^```toml\n(.*?)^```", page, re.M | re.S)
    plan = read_map(text, "docs/import.md")
    assert [c.channel.key for c in plan.columns] == [
        "battery_current",
        "cell_voltage_7",
        "hatch_angle",
    ]
    assert [c.stream for c in plan.columns] == [0, 1, 1]


def test_a_log_is_never_overwritten(tmp_path, capsys):
    (tmp_path / "in.csv").write_text("t,v\n0,1\n")
    (tmp_path / "map.toml").write_text(TIME + VOLTS)
    (tmp_path / "in.sagline").write_text("mine")
    assert main(["import", str(tmp_path / "in.csv"), "--map", str(tmp_path / "map.toml")]) == 1
    assert "already there" in capsys.readouterr().err
    assert (tmp_path / "in.sagline").read_text() == "mine"


def test_the_command_with_a_suggested_map(tmp_path):
    (tmp_path / "in.csv").write_text(
        "Time (ms),Battery Current (mA),cell voltage 2 [mV],name\n"
        "0,1500,3650,a\n20,1600,3651,b\n40,1550,3650,c\n"
    )
    run = [sys.executable, "-m", "sagline_analyser.cli", "import", str(tmp_path / "in.csv")]
    text = subprocess.run([*run, "--suggest"], capture_output=True, text=True, check=True).stdout
    assert re.search(r"period = 0.02\b", text)
    assert '# "name" is left out' in text
    (tmp_path / "map.toml").write_text(text)
    done = subprocess.run([*run, "--map", tmp_path / "map.toml"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "3 rows; samples: table 3" in done.stdout
    assert "dated by the file's own" in done.stderr
    values = load_ride(tmp_path / "in.sagline").streams["table"].values
    assert values["battery_current"].tolist() == [1.5, 1.6, 1.55]
    assert values["cell_voltage_2"].tolist() == [3.65, 3.651, 3.65]


NAMED = {
    "pairs": (
        '[file]\nform = "pairs"\ndelimiter = " "\n',
        "t=0 v=48.21 i=1.5\nt=0.5 i=-2\nt=1 v=nan i=3\n",
    ),
    "pairs of another sign": (
        '[file]\nform = "pairs"\ndelimiter = ";"\nequals = ":"\n',
        "t:0; v:48.21; i:1.5;\r\n\r\nt:0.5; i:-2\r\nt:1; v:nan; i:3\r\n",
    ),
    "json": (
        '[file]\nform = "json"\n',
        '{"t": 0, "v": 48.21, "pack": {"i": 1.5}}\n{"t": 0.5, "pack": {"i": -2}}\n'
        '{"pack": {"i": 3}, "v": null, "t": 1, "name": "a"}\n',
    ),
}


@pytest.mark.parametrize("form", NAMED)
def test_lines_that_name_their_values_by_the_map_of_a_board_s_lines(form, tmp_path):
    """The reader of lines as they come, and of a file of them, take one map and give one result."""
    shape, text = NAMED[form]
    amps = '[[columns]]\ncolumn = "i"\nchannel = "battery_current"\nresolution = 0.1\n'
    plan = shape + TIME + VOLTS + (amps.replace('"i"', '"pack.i"') if form == "json" else amps)
    stream = imported(text, plan, tmp_path).streams["table"]
    assert stream.time.tolist() == [0.0, 0.5, 1.0]
    np.testing.assert_array_equal(stream.values["pack_voltage"], [48.21, np.nan, np.nan])
    assert stream.values["battery_current"].tolist() == [1.5, -2.0, 3.0]
    reader = LineReader(read_map(plan, "m", lines=True))
    rows = [row for line in text.encode().splitlines() if (row := reader.read(line)) is not None]
    assert [row.time for row in rows] == [0, 500_000, 1_000_000]
    assert [row.cells[1] for row in rows] == [15, -20, 30]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('{"t": 2, "v": "x"}', ":2: column \"v\": 'x' is not a number"),
        ('{"t": 2, "v": 1', ":2: not one JSON object"),
        ('{"v": 1, "v": 2, "t": 3}', ":2: a name stands in it twice"),
        ('{"v": 1}', ":2: has no t"),
        ('{"t": 2}', ":2: holds none of the names in the map"),
        ('{"t": -1, "v": 1}', ":2: the time goes back"),
        ("boot 7", ":2: not one JSON object"),
        ("[" * 100_000, ":2: not one JSON object"),
    ],
)
def test_a_bad_line_of_names_is_told_or_left_out(line, said, tmp_path, capsys):
    plan = '[file]\nform = "json"\n' + TIME + VOLTS
    text = f'{{"t": 0, "v": 1}}\n{line}\n{{"t": 3, "v": 2}}\n'
    (tmp_path / "in.csv").write_text(text)
    (tmp_path / "map.toml").write_text(plan)
    assert main(["import", str(tmp_path / "in.csv"), "--map", str(tmp_path / "map.toml")]) == 1
    assert said in capsys.readouterr().err
    values = imported(text, plan, tmp_path, skip_bad=True).streams["table"].values["pack_voltage"]
    assert [one for one in values.tolist() if one == one] == [1.0, 2.0]


@pytest.mark.parametrize("form", NAMED)
def test_a_map_is_suggested_for_lines_that_name_their_values(form, tmp_path):
    text = NAMED[form][1]
    (tmp_path / "in.csv").write_text(text, newline="")
    plan = suggest(tmp_path / "in.csv")
    again = imported(text, plan, tmp_path).streams["table"]
    assert again.time.tolist() == [0.0, 0.5, 1.0]
    np.testing.assert_array_equal(next(iter(again.values.values())), [48.21, np.nan, np.nan])
    assert ("name" in plan and "is left out" in plan) == (form == "json")
