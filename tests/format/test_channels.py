"""Scaling against exact decimals, and the unwrapped clock against a counter that never wraps."""

import math
import struct
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sagline_logger.format import (
    LAYOUT,
    SIZE,
    Channel,
    ClockUnwrapper,
    RecordError,
    SampleType,
    Stream,
    bounds,
)

WHOLE = [kind for kind in SampleType if kind is not SampleType.F32]
SPAN = 2**32


@st.composite
def channels_and_raws(draw, greatest_multiplier=2**31 - 1):
    kind = draw(st.sampled_from(WHOLE))
    low, high = bounds(kind)
    channel = Channel(
        "c",
        "V",
        kind,
        draw(st.integers(-greatest_multiplier, greatest_multiplier).filter(bool)),
        draw(st.integers(-(2**31), 2**31 - 1)),
        draw(st.integers(-22, 22)),
    )
    return channel, draw(st.integers(low, high))


@given(channels_and_raws())
def test_values_are_the_nearest_double(case):
    """Reference: decimal.Decimal, whose conversion to float is correctly rounded."""
    channel, raw = case
    number = raw * channel.multiplier + channel.offset
    exact = float(Decimal(number).scaleb(channel.exponent))
    if abs(number) < 2**53:
        assert channel.value(raw) == exact
    else:
        assert math.isclose(channel.value(raw), exact, rel_tol=2**-52)


@given(channels_and_raws(greatest_multiplier=20_000))
def test_a_value_turns_back_into_its_raw_sample(case):
    channel, raw = case
    if abs(channel.offset) < 2**20 * abs(channel.multiplier):
        assert channel.raw(channel.value(raw)) == raw


def test_a_decimal_step_of_a_sensor():
    """0.0125 A a step: handed over as whole numbers, read as the decimal it means."""
    channel = Channel("battery_current", "A", SampleType.I16, multiplier=125, exponent=-4)
    assert channel.value(3) == 0.0375
    assert channel.raw(0.0375) == 3


@pytest.mark.parametrize("kind", WHOLE)
def test_readings_are_held_inside_the_type(kind):
    low, high = bounds(kind)
    channel = Channel("c", "V", kind)
    for value in (math.inf, 1e300, high + 1):
        assert channel.raw(value) == high
    for value in (-math.inf, -1e300, low - 1):
        assert channel.raw(value) == low
    for raw in (low, high):
        assert struct.unpack("<" + LAYOUT[kind], struct.pack("<" + LAYOUT[kind], raw)) == (raw,)
    assert SIZE[kind] * 8 == (high - low).bit_length()


@pytest.mark.parametrize("missing", [-32768, 0, 7, 32767])
def test_missing(missing):
    channel = Channel("c", "V", SampleType.I16, missing=missing)
    assert math.isnan(channel.value(missing))
    assert channel.raw(math.nan) == missing
    for reading in (missing - 0.2, missing, missing + 0.2):
        assert channel.raw(reading) != missing  # a real reading never turns into "no reading"
        assert abs(channel.raw(reading) - reading) < 1.21


def test_missing_without_a_code():
    with pytest.raises(RecordError, match="no code for a missing value"):
        Channel("c", "V", SampleType.U8).raw(math.nan)
    assert math.isnan(Channel("c", "V", SampleType.F32).raw(math.nan))
    assert math.isnan(Channel("c", "V", SampleType.F32, missing=-1.0).value(math.nan))
    assert Channel("c", "V", SampleType.F32).value(math.inf) == math.inf


@pytest.mark.parametrize(
    ("channel", "words"),
    [
        (Channel("c", "V", SampleType.U8, missing=256), "does not fit"),
        (Channel("c", "V", SampleType.F32, missing=0.1), "no sample can equal"),
        (Channel("c", "V", SampleType.F32, missing=math.nan), "no sample can equal"),
        (Channel("c", "V", SampleType.F32, missing=1e300), "does not fit"),
        (Channel("c", "V", SampleType.U8, multiplier=0), "multiplier of zero"),
        (Channel("c", "V", SampleType.U8, multiplier=2**31), "does not fit"),
        (Channel("c", "V", SampleType.U8, exponent=23), "exponent"),
        (Channel("c", "V", SampleType.U8, index=256), "does not fit"),
        (Channel("", "V", SampleType.U8), "no name"),
        (Channel("é" * 25, "V", SampleType.U8), "over its limit of 48"),
        (Channel("c", "u" * 17, SampleType.U8), "over its limit of 16"),
        (Channel("c", "V", SampleType.U8, label="l" * 33), "over its limit of 32"),
        (Channel("c\udcff", "V", SampleType.U8), "not UTF-8"),
    ],
)
def test_channels_that_must_not_be_written(channel, words):
    with pytest.raises(RecordError, match=words):
        Stream(0, 0, 0, "s", 1, (channel,)).encode()


@given(
    st.integers(0, SPAN - 1),
    st.lists(st.integers(-(SPAN // 2) + 1, SPAN // 2 - 1), max_size=50),
)
def test_clock_follows_a_counter_that_never_wraps(start, steps):
    clock = ClockUnwrapper()
    true = start
    assert clock.unwrap(start) == true
    for step in steps:
        true += step
        assert clock.unwrap(true % SPAN) == true


@given(st.integers(0, SPAN - 1), st.integers(0, 10 * SPAN), st.integers(-(10**9), 10**9))
def test_clock_after_a_long_silence(start, silence, error):
    """The host's time of the silence may be wrong by minutes, only not by half a wrap."""
    clock = ClockUnwrapper()
    clock.unwrap(start)
    true = start + silence
    assert clock.unwrap(true % SPAN, elapsed=max(silence + error, 0)) == true
