"""Where the energy went, in J since the ride began."""

from dataclasses import dataclass


@dataclass(slots=True)
class Ledger:
    """Sums of energy in J; every field is what went out of the pack into that place.

    ``kinetic`` and ``potential`` are held and can come back; ``towed`` came in from outside, when
    an imposed speed asked for more than the limits allow.
    """

    chemical: float = 0.0
    """Given by the cells at their open-circuit voltage."""
    pack_ohmic: float = 0.0
    pack_relaxation: float = 0.0
    pack_pairs: float = 0.0
    """Held in the RC pairs."""
    battery: float = 0.0
    """Given at the pack's terminals, less what regeneration put back."""
    auxiliary: float = 0.0
    controller: float = 0.0
    copper: float = 0.0
    iron: float = 0.0
    gear: float = 0.0
    rolling: float = 0.0
    air: float = 0.0
    friction_brake: float = 0.0
    kinetic: float = 0.0
    potential: float = 0.0
    towed: float = 0.0
