"""The examples' conversions: thermistor and cell taps.

The thermistor is held against the maker's table of a 10 kΩ part, ``b57891s0103``, as the Linux
kernel carries it "from the specifications in ... NTC Thermistors Datasheets"
(drivers/hwmon/ntc_thermistor.c of Linux 6.1).
"""

import importlib.util
import math

import pytest

from sagline_logger.format import Channel, SampleType
from support.emitters import C99, CPP17, EMITTERS, HERE, build, run

TABLE = {
    -20: 94143, -15: 71172, -10: 54308, -5: 41505, 0: 32014, 5: 25011, 10: 19691, 15: 15618,
    20: 12474, 25: 10000, 30: 8080, 35: 6569, 40: 5372, 45: 4424, 50: 3661, 55: 3039, 60: 2536,
    65: 2128, 70: 1794, 75: 1518, 80: 1290, 85: 1100, 90: 942, 95: 809, 100: 697, 105: 604,
    110: 525, 115: 457, 120: 400, 125: 351,
}  # fmt: skip
ROWS = [(TABLE[t], t) for t in (-20, 0, 25, 50, 75, 100, 125)]
FIXED = 10_000
NONE = -(2**31)
WARM = [t for t in TABLE if 0 <= t <= 100]


def load_module():
    path = EMITTERS / "micropython" / "examples" / "measures.py"
    spec = importlib.util.spec_from_file_location("measures", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def in_c(tmp_path_factory):
    folder = tmp_path_factory.mktemp("measures")
    return build(folder / "measures", C99, HERE / "measures.c")


def centi(in_c, counts: list[int], full: int) -> list[int]:
    text = "".join(f"t {n} {full}\n" for n in counts)
    return [int(one) for one in run(in_c, stdin=text).split()]


def counts_at(temperature: int, full: int) -> int:
    ohm = TABLE[temperature]
    return round(full * ohm / (ohm + FIXED))


@pytest.mark.parametrize("full", [4096, 65535], ids=["12 bits", "16 bits"])
def test_thermistor_within_half_a_degree_of_the_table(in_c, full):
    found = centi(in_c, [counts_at(t, full) for t in WARM], full)
    errors = [got / 100 - t for got, t in zip(found, WARM, strict=True)]
    print(f"C, {full} counts: {min(errors):+.2f} to {max(errors):+.2f} °C over 0 to 100 °C")
    assert len(errors) == 21
    assert max(map(abs, errors)) < 0.5
    module = load_module()
    errors = [
        module.thermistor_centi(counts_at(t, full), full, FIXED, ROWS) / 100 - t for t in WARM
    ]
    assert max(map(abs, errors)) < 0.5


def test_one_beta_would_not_do():
    """Why the examples take rows and not one beta: B25/85 of the same table errs by 0.8 °C."""
    kelvin = 273.15
    inverse = {t: 1 / (t + kelvin) for t in TABLE}
    beta = math.log(TABLE[25] / TABLE[85]) / (inverse[25] - inverse[85])
    errors = [1 / (inverse[25] + math.log(TABLE[t] / TABLE[25]) / beta) - kelvin - t for t in WARM]
    print(f"B25/85 = {beta:.0f} K: {min(errors):+.2f} to {max(errors):+.2f} °C")
    assert max(map(abs, errors)) > 0.5


def test_whole_numbers_agree_with_the_beta_equation_in_floating_point(in_c):
    full = 4096
    counts = list(range(1, full, 7))
    module = load_module()
    for n, got in zip(counts, centi(in_c, counts, full), strict=True):
        want = module.thermistor_centi(n, full, FIXED, ROWS)
        if want is None or got == NONE:  # the very ends of the rows may round either way
            assert want is None or min(abs(want + 2000), abs(want - 12500)) < 60
            assert got == NONE or min(abs(got + 2000), abs(got - 12500)) < 60
        else:
            assert abs(got - want) <= 6, n


def test_a_broken_or_shorted_lead_is_no_temperature(in_c):
    assert centi(in_c, [0, 1, 4094, 4095, 4096], 4096) == [NONE] * 5


def test_cells_from_calibrated_taps(in_c):
    """Four taps by hand: what the multimeter said is what comes out, to the millivolt."""
    volts, counts = [3.600, 7.213, 10.801, 14.404], [2235, 2984, 3082, 2980]
    gain = [round(v * 1e6 / n) for v, n in zip(volts, counts, strict=True)]
    text = "c 4 " + " ".join(f"{n} {g}" for n, g in zip(counts, gain, strict=True))
    found = [int(one) for one in run(in_c, stdin=text).split()]
    for got, want in zip(found, [3600, 3613, 3588, 3603], strict=True):
        assert abs(got - want) <= 2
    assert load_module().cells_mv(counts, gain) == found


def test_the_current_sensor_is_scaled_by_the_descriptor():
    """25 mV/A around half of 3.3 V, as the comment in trike.h works out: 40 A is 1.65 V + 1 V."""
    channel = Channel("battery_current", "A", SampleType.U16, 32227, -2048 * 32227, -6)
    counts = (1.65 + 40 * 0.025) / 3.3 * 4096
    assert abs(channel.value(round(counts)) - 40) < 0.04
    assert channel.value(2048) == 0


def test_measures_compile_as_cpp(tmp_path):
    build(tmp_path / "measures", CPP17, HERE / "measures.c")
