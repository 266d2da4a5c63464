"""The generic board of the examples: what it measures, and how a sample is taken."""

from measures import cells_mv, thermistor_centi
from sagline import I16, U16, Channel, Stream

FULL = 65536  # counts at the reference voltage: MicroPython's read_u16 on every chip
FAST, SLOW = 0, 1
FAST_PERIOD, SLOW_PERIOD = 10_000, 200_000

# Current: a Hall sensor, 25 mV/A around half of a 3.3 V reference.  One count is
# 3.3 V / 65536 / 0.025 V/A = 0.0020142 A; no current is 32768 counts.
# Calibrate: read the counts without current and put them in place of 32768.
FAST_CHANNELS = [
    Channel("battery_current", "A", U16, multiplier=20142, exponent=-7, offset=-32768 * 20142)
]
SLOW_CHANNELS = [
    Channel("motor_temperature", "°C", I16, exponent=-2, index=1, label="rear", missing=-32768)
]
SLOW_CHANNELS += [
    Channel("cell_voltage", "V", U16, exponent=-3, index=n, missing=0xFFFF) for n in (1, 2, 3, 4)
]

# Rows of the data sheet of a 10 kΩ thermistor; copy those of yours.
ROWS = [(94143, -20), (32014, 0), (10000, 25), (3661, 50), (1518, 75), (697, 100), (351, 125)]
FIXED = 10_000

# µV for a count at each tap: reference × (upper + lower) / lower / 65536, then calibrated; here
# lower 10 kΩ and upper 10, 20, 33, 51 kΩ on 3.3 V.
GAIN = [100.7, 151.1, 216.5, 307.2]


def streams():
    """Return the streams; a frame holds ten fast samples, or one slow."""
    return [
        Stream("fast", FAST_PERIOD, FAST_CHANNELS, together=10),
        Stream("slow", SLOW_PERIOD, SLOW_CHANNELS),
    ]


class Sampler:
    """Takes what is due.  ``read`` gives a pin's counts; pins: current, thermistor, 0 to 3."""

    def __init__(self, emitter, read, now):
        self.emitter = emitter
        self.read = read
        self.due = [now, now]

    def take(self, now):
        """Take what is due at ``now`` µs; samples missed by a late call stay missed."""
        if now >= self.due[FAST]:
            self.emitter.sample(FAST, now, [self.read("current")])
            self.due[FAST] += ((now - self.due[FAST]) // FAST_PERIOD + 1) * FAST_PERIOD
        if now >= self.due[SLOW]:
            values = [thermistor_centi(self.read("thermistor"), FULL, FIXED, ROWS)]
            values += cells_mv([self.read(n) for n in range(4)], GAIN)
            self.emitter.sample(SLOW, now, values)
            self.due[SLOW] += ((now - self.due[SLOW]) // SLOW_PERIOD + 1) * SLOW_PERIOD
        self.emitter.idle(now)
