"""A small described stream for tests of archives and shared pages."""

from sagline_logger.format import Channel, SampleType, Stream

STREAM = Stream(
    1, 0, 0, "fast", 10_000,
    (
        Channel("battery_current", "A", SampleType.I16, exponent=-1, missing=-32768),
        Channel("pack_voltage", "V", SampleType.U16, exponent=-2),
    ),
)  # fmt: skip
