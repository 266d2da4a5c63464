"""Sound sensors alone: many more rides than faults need, in a tenth of the time."""

from trust.sensors_bench import sound_tables as tables

__all__ = ["tables"]
