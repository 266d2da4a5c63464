"""Copper, of which windings and leads are made."""

COPPER = 0.00393
"""Rise of copper's resistance as its share at 20 °C, 1/K (IEC 60028)."""
