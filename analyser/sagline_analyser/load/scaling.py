"""Packed samples to float64 columns, bit for bit what ``Channel.value`` gives."""

import numpy as np
import numpy.typing as npt

from sagline_logger.format import LAYOUT, Channel, SampleType, bounds

DTYPE = {kind: np.dtype("<" + letter) for kind, letter in LAYOUT.items()}
"""numpy type of each sample type."""


def scale_into(
    channel: Channel, raw: npt.NDArray[np.generic], out: npt.NDArray[np.float64]
) -> None:
    """Fill ``out`` with the values of ``raw`` in the channel's unit, NaN where missing."""
    multiplier, offset, exponent = channel.multiplier, channel.offset, channel.exponent
    whole = channel.type is not SampleType.F32
    number: npt.NDArray[np.generic] = raw
    if whole and multiplier != 1 and _reach(channel) >= 1 << 53:
        # Past 2^53 the products need whole numbers to stay exact, and 64 bits hold all of them.
        number = raw.astype(np.int64) * multiplier + offset
    elif multiplier != 1 or offset or not whole:
        # Adding even a zero offset turns -0.0 into 0.0, as it does in Channel.value.
        np.multiply(raw, float(multiplier), out=out, dtype=np.float64)
        number = np.add(out, float(offset), out=out)
    if exponent < 0:
        np.divide(number, 10.0**-exponent, out=out, dtype=np.float64)
    elif exponent > 0 or number is not out:
        np.multiply(number, 10.0**exponent, out=out, dtype=np.float64)
    if channel.missing is not None and channel.missing == channel.missing:
        gone = raw == raw.dtype.type(channel.missing)
        if gone.any():
            out[gone] = np.nan


def _reach(channel: Channel) -> int:
    """Return a bound of |raw × multiplier + offset|."""
    largest = max(abs(limit) for limit in bounds(channel.type))
    return largest * abs(channel.multiplier) + abs(channel.offset)
