"""The specification of the GATT service against the code and the Bluetooth Core Specification."""

import re
import uuid
from pathlib import Path

from sagline_logger.capture import ble_service
from sagline_logger.format import Board, encode_frame
from sagline_logger.format.limits import MAX_NAME, MAX_STREAMS

SPECIFICATION = Path(__file__).parents[2] / "protocol_docs" / "ble_service.md"
ATTRIBUTE_LIMIT = 512
"""Longest attribute value, Bluetooth Core Specification 5.4, Vol 3, Part F, 3.2.9."""


def test_the_specification_gives_the_same_identifiers() -> None:
    text = SPECIFICATION.read_text()
    written = re.findall(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}", text)
    ours = [ble_service.SERVICE, ble_service.STREAM, ble_service.COMMAND, ble_service.BOARD]
    assert list(dict.fromkeys(written)) == ours


def test_the_identifiers_are_random_uuids_outside_the_bluetooth_base() -> None:
    for text in (ble_service.SERVICE, ble_service.STREAM, ble_service.COMMAND, ble_service.BOARD):
        identifier = uuid.UUID(text)
        assert (identifier.version, identifier.variant) == (4, uuid.RFC_4122)
        # Bluetooth Base UUID, Core Specification 5.4, Vol 3, Part B, 2.5.1
        assert not text.endswith("-0000-1000-8000-00805f9b34fb")


def test_the_longest_board_frame_fits_one_attribute() -> None:
    longest = Board(65535, 2**32 - 1, 255, MAX_STREAMS, "n" * MAX_NAME, "f" * MAX_NAME)
    size = len(encode_frame(longest.encode()))
    assert size <= ATTRIBUTE_LIMIT
    assert f"at most {size} bytes" in SPECIFICATION.read_text()
