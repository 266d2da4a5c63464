"""Packing and reduction are exact: every integer comes back, every peak stays."""

import base64
import zlib

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from sagline_analyser.page.pack import WORD_SIZE, PackedText, pack, pack_time
from sagline_analyser.page.reduce import extremes

KINDS = ["i1", "u1", "i2", "u2", "i4", "u4"]


def unpack(packed: PackedText) -> npt.NDArray[np.int32]:
    """Undo :func:`pack`, giving the 32-bit words (view them as float for a float column)."""
    split = np.frombuffer(zlib.decompress(base64.b64decode(packed.text)), "u1")
    folded = np.zeros((packed.count, WORD_SIZE), "u1")
    folded[:, : packed.planes] = split.reshape(packed.planes, -1).T
    bits = folded.view("<u4")[:, 0] if packed.count else np.zeros(0, "<u4")
    steps = (bits >> 1).astype("<i4") ^ -(bits & 1).astype("<i4")
    return np.cumsum(steps, dtype="<i4")


@given(st.sampled_from(KINDS).flatmap(lambda kind: hnp.arrays(kind, st.integers(0, 300))))
def test_every_integer_comes_back(raw: np.ndarray) -> None:
    words = unpack(pack(raw))
    back = words.view("u4") if raw.dtype == np.uint32 else words
    assert back.astype(np.int64).tolist() == raw.astype(np.int64).tolist()


@given(hnp.arrays("f4", st.integers(0, 300), elements=st.floats(width=32)))
def test_every_float_comes_back_to_the_bit(raw: np.ndarray) -> None:
    assert unpack(pack(raw)).view("f4").tobytes() == raw.tobytes()


@given(st.lists(st.integers(0, 2**36), min_size=1, max_size=50))
def test_times_come_back_to_the_microsecond_even_across_hours(steps: list[int]) -> None:
    ticks = np.cumsum(steps)
    packed, jumps = pack_time(ticks / 1e6)
    found = unpack(packed).astype(np.int64)
    for at, step in jumps:
        found[at] = step
    assert np.cumsum(found).tolist() == ticks.tolist()


def test_slow_signals_take_one_byte_plane() -> None:
    assert pack(np.arange(30000, 31000, dtype="u2")).planes == 2  # the first step is the value
    assert pack(np.zeros(1000, "i4")).planes == 1


@pytest.mark.parametrize("count", [1, 7, 1000, 1001, 12345])
@given(data=st.data())
def test_reduction_keeps_the_least_and_greatest_of_every_stretch(
    count: int, data: st.DataObject
) -> None:
    seed = data.draw(st.integers(0, 2**32 - 1))
    random = np.random.default_rng(seed)
    values = random.integers(-(2**15), 2**15, count).astype(np.int16)
    valid = random.random(count) < data.draw(st.sampled_from([0.0, 0.3, 1.0]))
    at = extremes(values, valid, 100)
    assert np.all(np.diff(at) > 0)
    assert valid[at].all()
    size = -(-count // 100) if count > 200 else 1
    for start in range(0, count, size):
        stretch = np.arange(start, min(start + size, count))
        stretch = stretch[valid[stretch]]
        if len(stretch):
            kept = values[np.intersect1d(at, stretch)]
            assert kept.min() == values[stretch].min()
            assert kept.max() == values[stretch].max()
