"""Sound sensors alone: many more rides than faults need, in a tenth of the time."""

from trust.sensors_bench import sound_rows as rows
from trust.sensors_bench import tables_of

__all__ = ["rows", "tables", "tables_of"]


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the table of sound rides alone."""
    return tables_of(rows(cases, seed))
