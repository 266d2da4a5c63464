"""Columns to files that other programs read: CSV and Parquet, one file a stream."""

import re
import unicodedata
from collections.abc import Callable
from importlib.util import find_spec
from io import TextIOWrapper
from pathlib import Path
from typing import IO

import numpy as np
import pandas as pd

from sagline_logger.format import SaglineError, check_output, output

from .load.ride import Ride, StreamColumns
from .load.titles import column_titles

_ROWS = 1 << 16  # rows turned into text at a time, so that memory stays flat


def export_csv(ride: Ride, target: str | Path) -> list[Path]:
    """Write one CSV a stream into the directory ``target``, or the one stream into ``target.csv``.

    Columns: ``time [s]`` with microseconds, one a channel with its unit, ``segment`` (counted from
    1, as in pages and reports), and ``gap`` (1 where samples are missing just before the row).
    Numbers are the exact decimals the board meant; a missing reading is an empty field.  Returns
    the files written.

    Raises:
        SaglineError: a file is already there or cannot be written, or ``target`` is one file and
            the ride has several streams.
    """
    return _export(ride, Path(target), ".csv", _write_csv)


def export_parquet(ride: Ride, target: str | Path) -> list[Path]:
    """Write one Parquet file a stream; columns and errors as :func:`export_csv`, ``gap`` boolean.

    Raises:
        SaglineError: also when pyarrow is not installed.
    """
    if find_spec("pyarrow") is None:
        raise SaglineError(
            "Parquet needs pyarrow, which is not installed",
            remedy='install it with: pip install "sagline[analyser,parquet]"',
        )
    return _export(ride, Path(target), ".parquet", _write_parquet)


def _export(
    ride: Ride, target: Path, suffix: str, write: Callable[[StreamColumns, IO[bytes]], None]
) -> list[Path]:
    streams = list(ride.streams.values())
    if target.suffix == suffix and not target.is_dir():
        if len(streams) != 1:
            raise SaglineError(
                f"{len(streams)} streams do not fit one file",
                where=str(target),
                remedy="name a directory instead",
            )
        files = [target]
    else:
        files = [target / name for name in _file_names(ride, suffix)]
    for file in files:
        check_output(file)
    for stream, file in zip(streams, files, strict=True):
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise SaglineError(
                f"cannot make the directory ({problem.strerror})",
                where=str(file.parent),
                remedy="choose another place with -o",
            ) from None
        with output(file) as out:
            write(stream, out)
    return files


def _file_names(ride: Ride, suffix: str) -> list[str]:
    """Return a file name for each stream; the device's words must not reach outside the target."""
    names: list[str] = []
    taken: set[str] = set()  # as Windows and macOS compare them
    for stream in ride.streams:
        plain = re.sub(r"[^\w-]+", "_", stream).strip("_") or "stream"
        name = base = f"{Path(ride.path).stem}_{plain}"
        number = 2
        while _alike(name) in taken:
            name = f"{base}_{number}"
            number += 1
        names.append(name)
        taken.add(_alike(name))
    return [name + suffix for name in names]


def _alike(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _write_csv(stream: StreamColumns, file: IO[bytes]) -> None:
    titles = column_titles(stream)
    out = TextIOWrapper(file, encoding="utf-8", newline="")
    for start in range(0, max(stream.time.size, 1), _ROWS):
        rows = slice(start, start + _ROWS)
        # A column's shortest exact decimal is what the board meant: values are the doubles
        # nearest to whole numbers over a power of ten.
        table = pd.DataFrame(dict(enumerate(column[rows] for column in stream.values.values())))
        table.columns = pd.Index(titles)
        table.insert(0, "time [s]", [f"{time:.6f}" for time in stream.time[rows].tolist()])
        table["segment"] = stream.segment[rows] + 1
        table["gap"] = stream.gap[rows].astype(np.int8)
        table.to_csv(out, index=False, header=start == 0, lineterminator="\n")
    out.detach()  # flushed, and still open for who gave it


def _write_parquet(stream: StreamColumns, file: IO[bytes]) -> None:
    table = pd.DataFrame(dict(enumerate(stream.values.values())))
    table.columns = pd.Index(column_titles(stream))
    table.insert(0, "time [s]", stream.time)
    table["segment"] = stream.segment + 1
    table["gap"] = stream.gap
    table.to_parquet(file, engine="pyarrow", index=False)
