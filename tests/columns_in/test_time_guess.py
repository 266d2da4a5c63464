"""The unit of a column of times whose title does not say it, told by its steps."""

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from sagline_analyser.cli import main
from sagline_analyser.columns_in import convert, load_map, suggest
from sagline_analyser.load import load_ride

EPOCH = 1_780_000_000  # s, in 2026


def table(path: Path, title: str, times: list[str]) -> Path:
    rows = [f"{time},{48 + n % 7}" for n, time in enumerate(times)]
    path.write_text("\n".join([f"{title},v", *rows]) + "\n")
    return path


def jitter(step: float, spread: float) -> list[float]:
    rng, now = random.Random(1), 0.0
    times = []
    for _ in range(600):
        times.append(now)
        now += step + rng.uniform(-spread, spread)
    return times


CASES: list[tuple[str, Callable[[], list[str]], str, float]] = [
    # what it is, the cells, unit, s between the first and the last
    ("a 100 Hz clock in ms", lambda: [str(10 * n) for n in range(600)], "ms", 5.99),
    ("a 50 Hz clock in s", lambda: [f"{n / 50:.2f}" for n in range(600)], "s", 11.98),
    ("whole seconds, one a second", lambda: [str(n) for n in range(600)], "s", 599),
    ("whole seconds, one in five", lambda: [str(5 * n) for n in range(600)], "s", 2995),
    ("1 kHz in ms, an hour of it", lambda: [str(n) for n in range(60_000)], "ms", 59.999),
    ("ms that waver", lambda: [f"{t:.0f}" for t in jitter(100, 3)], "ms", 59.9),
    ("ms with decimals", lambda: [f"{t:.1f}" for t in jitter(20, 0.4)], "ms", 11.98),
    ("µs at 100 Hz", lambda: [f"{4 * round(t / 4)}" for t in jitter(10_000, 40)], "us", 5.99),
    ("one a second in ms", lambda: [str(1000 * n) for n in range(600)], "ms", 599),
    ("since 1970 in s", lambda: [f"{EPOCH + n / 10:.1f}" for n in range(600)], "s", 59.9),
    ("since 1970 in ms", lambda: [f"{EPOCH * 1000 + n * 100}" for n in range(600)], "ms", 59.9),
    ("since 1970 in µs", lambda: [f"{EPOCH}{n * 1000:06}" for n in range(600)], "us", 0.599),
]


@pytest.mark.parametrize(("what", "cells", "unit", "span"), CASES, ids=[case[0] for case in CASES])
def test_the_unit_is_told_by_the_steps_and_it_is_said(
    what: str, cells: Callable[[], list[str]], unit: str, span: float, tmp_path: Path
) -> None:
    file = table(tmp_path / "in.csv", "Timestamp", cells())
    text = suggest(file)
    assert f'unit = "{unit}"' in text
    assert text.count("# assumed: ") == 1
    assert ("since_1970 = true" in text) == ("1970" in what)
    (tmp_path / "map.toml").write_text(text)
    convert(file, load_map(tmp_path / "map.toml"), tmp_path / "out.sagline")
    time = load_ride(tmp_path / "out.sagline").streams["table"].time
    assert time[-1] - time[0] == pytest.approx(span, rel=0.01)


@pytest.mark.parametrize(
    ("title", "unit"),
    [
        ("time (ms)", "ms"),
        ("time_ms", "ms"),
        ("Elapsed [s]", "s"),
        ("millis", "ms"),
        ("t_us", "us"),
        ("uptime_ms", "ms"),
        ("Zeit [ms]", "ms"),
    ],
)
def test_what_a_title_says_is_not_guessed(title: str, unit: str, tmp_path: Path) -> None:
    text = suggest(table(tmp_path / "in.csv", title, [str(7 * n) for n in range(50)]))
    assert f'unit = "{unit}"' in text
    assert ("# assumed: the first column is the time" in text) == (title == "Zeit [ms]")


def test_the_command_says_what_it_assumed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = table(tmp_path / "in.csv", "clock", [str(20 * n) for n in range(50)])
    assert main(["import", str(file), "--suggest"]) == 0
    out, err = capsys.readouterr()
    assert "50 rows a second" in err and "milliseconds, by steps of 20" in err
    assert err.count("assumed") == out.count("assumed") == 1
    assert main(["import", str(table(tmp_path / "b.csv", "x", ["1"] * 5)), "--suggest"]) == 0
    assert "nothing tells otherwise" in capsys.readouterr().err
