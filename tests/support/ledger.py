"""Whether the simulator's books of energy balance: the first law, held against its ledger."""

from sagline_logger.simulator.ledger import Ledger


def losses(ledger: Ledger) -> float:
    """Return the J that became heat outside the pack."""
    return (
        ledger.auxiliary
        + ledger.controller
        + ledger.copper
        + ledger.iron
        + ledger.gear
        + ledger.rolling
        + ledger.air
        + ledger.friction_brake
    )


def vehicle_imbalance(ledger: Ledger) -> float:
    """Return pack energy + tow − (kinetic + potential + losses) in J: zero when all is booked."""
    held = ledger.kinetic + ledger.potential
    return ledger.battery + ledger.towed - held - losses(ledger)


def pack_imbalance(ledger: Ledger) -> float:
    """Return cell energy − (terminals + losses inside + held in RC pairs) in J."""
    inside = ledger.pack_ohmic + ledger.pack_relaxation + ledger.pack_pairs
    return ledger.chemical - ledger.battery - inside
