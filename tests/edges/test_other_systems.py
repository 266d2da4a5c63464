"""What other systems ask of the names of files: checked by their rules, on whatever runs here."""

import re
import unicodedata
from pathlib import Path

import sagline_analyser as sa
from sagline_logger.capture.log_writer import LogWriter
from sagline_logger.format import Stream
from support.logs import board, log_bytes, pack
from support.logs import time as time_record
from support.rides import channel

HOSTILE = (
    "CON",
    "nul.txt",
    "a:b",
    'q"<>|?*',
    "..\\..\\up",
    "end. ",
    "Fast",
    "fast",
    "FAST",
    "Grün",
    "Gru\u0308n",
    "COM1",
    "",
    "a\x1bb",
)
RESERVED = re.compile(r"(CON|PRN|AUX|NUL|COM[0-9¹²³]|LPT[0-9¹²³])(\.|$)", re.I)


def check(names: list[str]) -> None:
    """Source: Microsoft, "Naming Files, Paths, and Namespaces"; Apple, "APFS Reference" (names are
    compared without case and in one form of Unicode)."""
    for name in names:
        assert not re.search(r'[<>:"/\\|?*\x00-\x1f]', name), name
        assert not name.endswith((".", " ")) and not RESERVED.match(name), name
        assert len(name.encode("utf-16-le")) // 2 <= 255, name
    alike = [unicodedata.normalize("NFC", name).casefold() for name in names]
    assert len(set(alike)) == len(alike), names


def test_a_log_is_named_so_that_every_system_takes_it(tmp_path: Path) -> None:
    for name in HOSTILE:
        writer = LogWriter(tmp_path, "20261125T081500Z")
        writer.name_after(name)
        writer.close()
    names = [path.name for path in tmp_path.iterdir()]
    assert len(names) == len(HOSTILE)
    check(names)


def test_tables_of_streams_of_any_name_are_apart_on_every_system(tmp_path: Path) -> None:
    records = [board(1, streams=len(HOSTILE)), time_record(0)]
    for number, name in enumerate(HOSTILE):
        told = Stream(1, 0, number, name, 10_000, (channel(f"own{number}", "V"),))
        records += [told, pack(told, 0, 0, [(1,), (2,)])]
    log = tmp_path / "a.sagline"
    log.write_bytes(log_bytes(records))
    ride = sa.load_ride(log)
    out = tmp_path / "tables"
    out.mkdir()
    made = [Path(path).name for path in sa.export_csv(ride, out)]
    assert len(made) == len(ride.streams) > 8
    check(made)
