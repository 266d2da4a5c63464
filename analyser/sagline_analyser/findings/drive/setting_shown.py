"""What a ride shows of one stated setting of a controller."""

from dataclasses import dataclass
from enum import StrEnum

from ..telling.certainty import CANNOT_TELL


class Shows(StrEnum):
    """What the ride says of a stated setting."""

    YES = "shows"
    NO = "contradicted"
    UNTOLD = CANNOT_TELL


@dataclass(frozen=True)
class SettingInForce:
    """One stated setting of one motor's controller held against the ride.

    ``stated`` and ``seen`` are in ``unit``; ``seen`` is the level at which the quantity was held,
    or the limit that the board reported (``reported``), None where neither is there.  ``reached``
    is the most that was measured with the throttle open.  ``spans`` are the stretches of evidence,
    (start, end) in s, and ``text`` says it all in one sentence.
    """

    name: str
    motor: int
    stated: float
    unit: str
    verdict: Shows
    seen: float | None
    reported: bool
    reached: float | None
    spans: tuple[tuple[float, float], ...]
    text: str


def setting_number(value: float, unit: str) -> str:
    """Return a setting's value in words."""
    return f"{value:.3g}" if unit == "1" else f"{value:.3g} {unit}"
