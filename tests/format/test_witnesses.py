"""Logs written before a change read as they did (protocol_docs/frame_format.md §7)."""

import base64
import json

import pytest

from support.witnesses import WITNESSES, read, tables

_PATHS = sorted(WITNESSES.glob("*.json"))


def test_there_are_more_than_ten():
    assert len(_PATHS) > 10


@pytest.mark.parametrize("path", _PATHS, ids=lambda path: path.stem)
def test_a_log_of_version_1_0_reads_as_before(path):
    witness = json.loads(path.read_text(encoding="utf-8"))
    assert tables(read(base64.b64decode(witness["log"]))) == witness["tables"]
