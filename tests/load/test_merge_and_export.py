"""The merged table and the exported files, read back by pandas and pyarrow."""

from decimal import Decimal
from pathlib import Path

import numpy as np
import pyarrow.parquet
import pytest

import sagline_analyser as sa
from sagline_logger.format import Channel, SaglineError, SampleType, Stream
from support.late import late
from support.logs import board, log_bytes, pack, time

pd = late("pandas")

FAST = Stream(
    1,
    0,
    0,
    "fast",
    100_000,
    (
        Channel("battery_current", "A", SampleType.I16, exponent=-2, missing=-32768),
        Channel("=cmd", "V", SampleType.F32),
    ),
)
SLOW = Stream(
    1,
    0,
    1,
    "../slow, cells",
    500_000,
    (Channel("cell_voltage", "V", SampleType.U16, 125, -7, -4, index=1),),
)
DOOR = Stream(1, 0, 2, "door", 0, (Channel("door", "1", SampleType.U8),))


@pytest.fixture
def ride(tmp_path: Path) -> sa.Ride:
    """Return 4 s in which the fast stream loses samples 10 to 19 and the door moves twice."""
    records = [time(0), board(1), FAST, SLOW, DOOR]
    for n in (*range(10), *range(20, 40)):
        clock = 100_000 * n
        records += [time(clock), pack(FAST, n, clock, [(-n if n != 5 else -32768, n / 3)])]
        if n % 5 == 0:
            records.append(pack(SLOW, n // 5, clock, [(300 + n,)]))
        if n in (3, 25):
            records.append(pack(DOOR, n == 25, clock, [(n,)]))
    path = tmp_path / "bread run.sagline"
    path.write_bytes(log_bytes(records))  # type: ignore[arg-type]
    return sa.load_ride(path)


def test_the_merged_table_holds_measured_values_only(ride: sa.Ride) -> None:
    table = sa.merge(ride, 0.05, ["battery_current", "cell_voltage_1", "door"])
    assert table.index[1] == 0.05
    current = table["battery_current"]
    assert current[0.2] == current[0.25] == -0.02  # held, not interpolated
    assert np.isnan(current[0.5])  # the board said: no reading
    rows = current.to_numpy()
    assert rows[20] == -0.09  # 1.0 s: the sample of 0.9 s, one period on
    assert np.isnan(rows[22:40]).all()  # samples 10 to 19 are lost
    assert rows[40] == -0.2
    measured = set(ride.streams["fast"].values["battery_current"].tolist())
    assert set(current.dropna()) <= measured
    assert table["cell_voltage_1"].to_numpy()[3] == (300 * 125 - 7) / 10_000
    door = table["door"].to_numpy()
    assert np.isnan(door[:6]).all() and (door[6:50] == 3).all() and door[50] == 25
    assert np.isnan(door[51:]).all()
    assert list(sa.merge(ride, 1.0).columns) == [
        "battery_current",
        "=cmd",
        "cell_voltage_1",
        "door",
    ]


@pytest.mark.parametrize(("period", "keys"), [(0.0, None), (float("nan"), None), (1.0, ["nope"])])
def test_a_merge_that_cannot_be_is_said_in_one_line(
    ride: sa.Ride, period: float, keys: list[str] | None
) -> None:
    with pytest.raises(SaglineError):
        sa.merge(ride, period, keys)


def test_csv_round_trip_is_exact(ride: sa.Ride, tmp_path: Path) -> None:
    files = sa.export_csv(ride, tmp_path / "out")
    assert [f.name for f in files] == [
        "bread run_fast.csv",
        "bread run_slow_cells.csv",
        "bread run_door.csv",
    ]
    fast = pd.read_csv(files[0])
    stream = ride.streams["fast"]
    assert list(fast.columns) == [
        "time [s]",
        "battery_current [A]",
        "'=cmd [V]",
        "segment",
        "gap",
    ]
    assert np.array_equal(fast["battery_current [A]"], stream.values["battery_current"], True)
    assert np.array_equal(fast["'=cmd [V]"], stream.values["=cmd"])
    assert np.abs(fast["time [s]"] - stream.time).max() <= 0.5e-6
    assert fast["gap"].tolist() == stream.gap.astype(int).tolist()
    assert fast["segment"].tolist() == (stream.segment + 1).tolist()  # as pages count them
    lines = files[1].read_text().splitlines()[1:]
    written = [Decimal(line.split(",")[1]) for line in lines]
    assert written == [
        Decimal(int(raw) * 125 - 7).scaleb(-4)
        for raw in ride.streams["../slow, cells"].raw["cell_voltage_1"]
    ]


def test_parquet_round_trip_is_exact(ride: sa.Ride, tmp_path: Path) -> None:
    files = sa.export_parquet(ride, tmp_path / "out")
    table = pyarrow.parquet.read_table(files[0])
    stream = ride.streams["fast"]
    assert table.column("time [s]").to_pylist() == stream.time.tolist()
    column = table.column("battery_current [A]").to_pandas().to_numpy()
    assert np.array_equal(column, stream.values["battery_current"], True)
    assert table.column("gap").to_pylist() == stream.gap.tolist()
    assert table.column("segment").to_pylist() == (stream.segment + 1).tolist()


def test_nothing_is_overwritten(ride: sa.Ride, tmp_path: Path) -> None:
    there = tmp_path / "bread run_door.csv"
    there.write_text("mine")
    with pytest.raises(SaglineError, match="already there"):
        sa.export_csv(ride, tmp_path)
    assert there.read_text() == "mine"
    assert not (tmp_path / "bread run_fast.csv").exists()


def test_export_errors_are_one_line(
    ride: sa.Ride, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(SaglineError, match="3 streams do not fit one file"):
        sa.export_csv(ride, tmp_path / "one.csv")
    (tmp_path / "file").write_text("")
    with pytest.raises(SaglineError, match="cannot make the directory"):
        sa.export_csv(ride, tmp_path / "file" / "below")
    monkeypatch.setattr("sagline_analyser.export.find_spec", lambda _: None)
    with pytest.raises(SaglineError, match="pyarrow"):
        sa.export_parquet(ride, tmp_path)


def test_frame_has_the_channels_as_columns(ride: sa.Ride) -> None:
    table = ride.streams["fast"].frame()
    assert list(table.columns) == ["battery_current", "=cmd"]
    assert table.index.name == "time" and len(table) == 30
