"""A ride, a stream and an answer as a notebook shows them; columns by name; units and times."""

import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from datetime import UTC, datetime
from html import unescape

import numpy as np
import pytest

from sagline_analyser.findings.telling.answer import Answer, Figure, Urgency
from sagline_analyser.findings.telling.picture import Bar, Bars, Shares, Steps
from sagline_analyser.load import load_ride
from sagline_analyser.load.notebook import HEIGHT, plot
from sagline_analyser.time_grid import merge
from sagline_logger.format import SaglineError
from support.late import late
from support.rides import channel, make_ride, make_stream

pd = late("pandas")

HOSTILE = "<script>alert(1)</script>"


def ride_of(**changes):  # type: ignore[no-untyped-def]
    time = np.arange(100) / 10
    columns = {
        channel("battery_current", "A"): np.sin(time),
        channel("pack_voltage", "V"): np.where(time > 5, np.nan, 48.0),
        channel("cell_voltage", "V", 1): np.full(100, 3.7),
        channel("cell_voltage", "V", 2): np.full(100, 3.6),
    }
    stream = make_stream("fast", time, columns, gap=[40], period=0.1)
    started = changes.get("started_wall", 1_780_000_000.0)
    return make_ride(replace(stream, started_wall=started), **changes)


def read(html: str) -> ElementTree.Element:
    """Parse strictly: what is not well-formed would break a notebook's page."""
    return ElementTree.fromstring(html.replace("<br>", "<br/>"))


def test_a_ride_and_a_stream_are_one_line_and_a_small_plot() -> None:
    ride = ride_of()
    for one in (ride, ride.streams["fast"]):
        assert "\n" not in repr(one) and len(repr(one)) < 250
        drawn = read(one._repr_html_())
        paths = [path.get("d") or "" for path in drawn.iter("path")]
        assert len(paths) == (3 if one is ride else 4) and all(d.startswith("M") for d in paths)
        assert paths[0].count("M") == 2  # nothing is drawn across the gap
    assert "Kestrel" in repr(ride) and "100 samples" in repr(ride.streams["fast"])
    assert repr(make_ride()) == "<ride of Kestrel, 2026-05-28 20:26 UTC, 0.0 s: no streams>"


def test_no_peak_is_lost_in_a_small_plot() -> None:
    values = np.zeros(100_000)
    values[77_777] = 9.0
    path = plot(np.arange(100_000.0), values, np.zeros(100_000, bool))
    heights = [float(v.split("L")[0]) for v in path.split("V")[1:] if v[0].isdigit()]
    assert min(heights) == pytest.approx(2.0) and max(heights) == pytest.approx(HEIGHT - 2)
    assert len(path) < 10_000
    assert plot(np.arange(3.0), np.full(3, np.nan), np.zeros(3, bool)) == ""


@pytest.mark.parametrize(
    "picture",
    [
        None,
        Bars("A", (Bar(HOSTILE, 3.0), Bar("b", 0.0, odd=True)), 2.0, "rating"),
        Shares(((HOSTILE, 0.6), ("b", 0.4))),
        Steps(((-1.0, HOSTILE), (0.0, "fault"))),
    ],
)
def test_an_answer_shows_its_verdict_figures_and_caution(picture: object) -> None:
    figure = Figure(HOSTILE, 3.21, "A", 0.4)
    answer = Answer("one", "Is it?", f"Yes {HOSTILE}.", figures=(figure,))
    answer = answer.in_short("It is", Urgency.ACT, picture)  # type: ignore[arg-type]
    assert repr(answer) == "<answer 'one', act: It is>"
    html = answer._repr_html_()
    assert "<script" not in html and answer.caution in unescape(html)
    text = " ".join(read(html).itertext())
    assert "3.21 A" in text and "± 0.4" in text and f"Yes {HOSTILE}." in text
    lacking = "Cannot tell: needs speed."
    unknown = replace(answer, urgency=Urgency.UNKNOWN, figures=(), verdict=lacking)
    assert "cannot tell" in repr(unknown) and "Caution" not in unknown._repr_html_()


def test_hostile_names_stay_text_in_html() -> None:
    columns = {channel("odd", HOSTILE): [1.0, 2.0]}
    ride = make_ride(make_stream(HOSTILE, [0.0, 1.0], columns), board_name=HOSTILE)
    for html in (ride._repr_html_(), ride.streams[HOSTILE]._repr_html_()):
        assert "<script" not in html and HOSTILE in " ".join(read(html).itertext())


def test_a_column_by_name_and_the_nearest_name_for_a_typo() -> None:
    ride = ride_of()
    found = ride["battery_current"]
    assert isinstance(found, pd.Series) and found.attrs["unit"] == "A"
    assert found.index.name == "time" and found.iloc[10] == pytest.approx(np.sin(1.0), abs=1e-3)
    assert list(ride) == ["battery_current", "pack_voltage", "cell_voltage_1", "cell_voltage_2"]
    assert "pack_voltage" in ride and "speed" not in ride
    with pytest.raises(SaglineError, match="did you mean battery_current"):
        ride["batery_current"]
    with pytest.raises(SaglineError, match="choose one of cell_voltage_1, cell_voltage_2"):
        ride["cell_voltage"]
    with pytest.raises(SaglineError, match="it has: battery_current"):
        ride["zzz"]


def test_a_time_index_is_utc_where_the_start_is_known() -> None:
    frame = ride_of().streams["fast"].frame(index="time")
    assert isinstance(frame.index, pd.DatetimeIndex) and str(frame.index.tz) == "UTC"
    # Python's own reckoning of the same instant.
    assert frame.index[15].to_pydatetime() == datetime.fromtimestamp(1_780_000_001.5, UTC)
    assert frame["battery_current"].resample("1s").mean().size == 10
    alone = ride_of(started_wall=None).streams["fast"].frame(index="time")
    assert isinstance(alone.index, pd.TimedeltaIndex)
    assert alone.index[15] == pd.Timedelta(seconds=1.5)
    with pytest.raises(SaglineError, match="choose seconds or time"):
        ride_of().streams["fast"].frame(index="hours")  # type: ignore[arg-type]


def test_units_travel_with_a_table() -> None:
    ride = ride_of()
    frame = ride.streams["fast"].frame()
    assert frame.attrs["units"]["pack_voltage"] == "V"
    assert frame[frame.index > 2].attrs["units"]["battery_current"] == "A"
    both = merge(ride, 0.5, ["battery_current", "cell_voltage_1"])
    assert both.attrs["units"] == {"battery_current": "A", "cell_voltage_1": "V"}


def test_a_loaded_ride_knows_when_it_began(tmp_path) -> None:  # type: ignore[no-untyped-def]
    from support.doc_rides import LAUNCHES, ride_log

    path = tmp_path / "ride.sagline"
    path.write_bytes(ride_log(LAUNCHES, seconds=3))
    ride = load_ride(path)
    assert {stream.started_wall for stream in ride.streams.values()} == {ride.started_wall}
