"""The real command: what it prints, and one clear line for every mistake."""

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from page.conftest import BOARD
from sagline_analyser.load import Ride
from sagline_analyser.page.figures import figure
from sagline_logger.format import SIGNATURE, SaglineError, Samples, encode_frame
from support.started import run_text


def analyse(*words: str | Path) -> "subprocess.CompletedProcess[str]":
    return run_text(["sagline_analyser", *words])


def test_summary_in_words_and_as_json_agree(log: Path) -> None:
    text = analyse("summary", log, "--full", "--board", BOARD)
    assert text.returncode == 0 and text.stderr == ""
    words = ("--json", "--board", BOARD, "--other-pack", "24.5")
    document = json.loads(analyse("summary", log, *words).stdout)
    figures = {finding["key"]: finding for finding in document["findings"]}
    assert f"{figures['distance']['value']:.0f} m" in text.stdout
    assert f"Limits crossed: {len(document['crossings'])}" in text.stdout
    assert document["caution"] in text.stdout
    for finding in document["findings"]:
        assert finding["how"], finding
    labels = [figure["label"] for answer in document["answers"] for figure in answer["figures"]]
    assert "range of a full pack of 24.5 Ah" in labels
    for answer in document["answers"]:
        assert answer["verdict"] in text.stdout or answer["key"] == "pack_range"
    full = analyse("summary", log, "--full", *words[1:], "--plan-km", "30").stdout
    for answer in document["answers"]:
        for detail in answer["details"]:
            assert f"\n  - {detail}\n" in full, detail
    assert "24.5 Ah" in full and "For 30 km ridden like this" in full


def test_a_short_summary_says_what_to_act_on_first(log: Path) -> None:
    words = ("summary", log, "--board", BOARD)
    lines = analyse(*words).stdout.splitlines()
    answers = json.loads(analyse(*words, "--json").stdout)["answers"]
    asks = [line.split()[0] for line in lines if line.startswith(("act ", "look "))]
    told = [a["urgency"] for a in answers if a["urgency"] in ("act", "look")]
    assert all(a["known"] == (a["urgency"] != "cannot tell") for a in answers)
    assert asks == sorted(told) and len(asks) > 1
    assert len(lines) <= len(asks) + 8
    quiet = next(line for line in lines if "--full" in line)
    counted = sum(int(number) for number in re.findall(r"\d+", quiet))
    assert counted == len(answers) - len(asks)
    assert json.loads(analyse(*words, "--json").stdout)["caution"] in lines


def test_export_and_plot_take_chosen_channels(log: Path, tmp_path: Path) -> None:
    done = analyse("export", log, "--to", "csv", "--out", tmp_path / "out", "--channel", "speed")
    assert done.returncode == 0, done.stderr
    (table,) = [Path(line) for line in done.stdout.split("\n") if line]
    head = table.read_text().splitlines()[0]
    assert "speed" in head and "battery_current" not in head
    page = tmp_path / "speed.html"
    done = analyse("plot", log, "-o", page, "--channel", "speed")
    assert done.returncode == 0 and str(page) in done.stdout
    assert '"key":"battery_current"' not in page.read_text()


MISTAKES = {
    "missing": (["summary", "{tmp}/no.sagline"], "cannot open the log"),
    "empty": (["summary", "{tmp}/empty.sagline"], "empty"),
    "not a log": (["plot", "{tmp}/noise.sagline"], "not a Sagline log"),
    "no descriptor": (["summary", "{tmp}/bare.sagline"], "descri"),
    "unwritable": (["plot", "{log}", "-o", "{tmp}/no/such/dir.html"], "cannot write"),
    "unknown channel": (["plot", "{log}", "--channel", "batery_current"], "battery_current"),
    "unknown export channel": (
        ["export", "{log}", "--to", "csv", "--channel", "warp"],
        "no channel named 'warp'",
    ),
    "no board file": (["summary", "{log}", "--board", "{tmp}/no.toml"], "cannot read the board"),
    "bad board file": (["plot", "{log}", "--board", "{tmp}/bad.toml"], "bad.toml:2"),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_mistakes_get_one_line_and_a_bad_exit(mistake: str, log: Path, tmp_path: Path) -> None:
    (tmp_path / "empty.sagline").touch()
    (tmp_path / "noise.sagline").write_bytes(b"no frames here\0" * 9)
    (tmp_path / "bare.sagline").write_bytes(
        SIGNATURE + encode_frame(Samples(1, 1, 1, 0, 0, 1, b"\1\2").encode())
    )
    (tmp_path / "bad.toml").write_text('name = "Kestrel"\nnam = 3\n')
    words, expected = MISTAKES[mistake]
    done = analyse(*(word.format(tmp=tmp_path, log=log) for word in words))
    assert done.returncode == 1
    lines = done.stderr.strip().split("\n")
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("sagline-analyser: ")
    assert expected in lines[0]


def test_help_needs_no_numpy() -> None:
    code = (
        "import sys\nfrom sagline_analyser import cli\n"
        "try: cli.main(['--help'])\nexcept SystemExit: pass\n"
        "print([m for m in ('numpy', 'pandas', 'plotly') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stdout.strip().endswith("[]"), done.stdout + done.stderr


def test_figure_holds_every_peak_and_raw_samples_in_a_window(ride: Ride) -> None:
    whole = figure(ride, channels=["battery_current", "cell_voltage"])
    by_name = {trace.name.removesuffix(" (lowest)"): trace for trace in whole.data}
    for name, key in (("battery current", "battery_current"), ("cell 7", "cell_voltage_7")):
        stream = ride.find(key)
        assert stream is not None
        assert np.nanmin(by_name[name].y) == np.nanmin(stream.values[key])
        assert np.nanmax(by_name[name].y) == np.nanmax(stream.values[key])
        assert len(by_name[name].y) < 3000 < len(stream.time)
    near = figure(ride, channels=["battery_current"], window=(10, 12))
    stream = ride.find("battery_current")
    assert stream is not None
    inside = (stream.time >= 10) & (stream.time < 12)
    assert near.data[0].y.tolist() == stream.values["battery_current"][inside].tolist()
    with pytest.raises(SaglineError, match="no channel named 'x'"):
        figure(ride, channels=["x"])
