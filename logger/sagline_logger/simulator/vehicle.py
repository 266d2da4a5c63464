"""Forces on the vehicle, N, positive backwards.  Source: road-load equation of vehicle textbooks
(from memory): F = c·m·g·cosθ + ½·ρ·cdA·v² + m·g·sinθ."""

from .constants import STANDARD_GRAVITY


def rolling_resistance(mass: float, coefficient: float, cosine: float) -> float:
    """Return the rolling resistance of a moving vehicle of ``mass`` kg."""
    return coefficient * mass * STANDARD_GRAVITY * cosine


def air_drag(density: float, drag_area: float, speed: float) -> float:
    """Return the air drag at ``speed`` m/s in still air of ``density`` kg/m³."""
    return 0.5 * density * drag_area * speed * speed


def slope_force(mass: float, rise: float) -> float:
    """Return the weight's part along a road whose slope has the sine ``rise``."""
    return mass * STANDARD_GRAVITY * rise


def friction_force(full: float, onset: float, lever: float) -> float:
    """Return the friction brake's force at ``lever`` (0 to 1), which bites from ``onset`` on."""
    return full * (lever - onset) / (1.0 - onset) if lever > onset else 0.0
