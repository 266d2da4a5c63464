"""Identifiers of the GATT service (specification: ``protocol_docs/ble_service.md``)."""

SERVICE = "703b1ca4-119b-4772-b2de-6a7dffadc1f7"
STREAM = "703b1ca5-119b-4772-b2de-6a7dffadc1f7"
"""Notify: the byte stream in arbitrary slices."""
COMMAND = "703b1ca6-119b-4772-b2de-6a7dffadc1f7"
"""Write: reserved; the logger never writes it."""
BOARD = "703b1ca7-119b-4772-b2de-6a7dffadc1f7"
"""Read: one BOARD frame."""
