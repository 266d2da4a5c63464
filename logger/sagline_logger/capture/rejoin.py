"""Telling a lost link from a restarted device, once the device is heard again.

After a gap the first frames are held back for a moment (at most ``PATIENCE``) until they show
which of the two it was, so that the LINK record in front of them can say so, with its evidence.
"""

from dataclasses import dataclass, field

from ..format import Instant, Piece, Time
from ..format.host_records import FIRST_HOST_KIND
from .listener import Listener
from .translator import Item

PATIENCE = 0.5
"""Seconds that frames may be held back."""
_SPAN = 1 << 32
_SLACK = 1_000_000  # µs by which delivery may vary


@dataclass(frozen=True)
class LastHeard:
    """The device's state at host time ``at`` (monotonic µs): boot, clock in µs, pack voltage."""

    boot: int
    clock: int
    at: int
    voltage: float | None

    @classmethod
    def last(cls, listener: Listener, at: int) -> "LastHeard | None":
        """Return what ``listener`` heard last, at host time ``at``; None when nothing told time."""
        told = listener.clock()
        if told is None:
            return None
        voltage = listener.values().get("pack_voltage")
        return cls(*told, at, None if voltage != voltage else voltage)


@dataclass
class Rejoin:
    """The wait for the device after a gap; ``before`` is what was heard ahead of the gap."""

    before: LastHeard | None
    note: str = ""
    """How the link itself came back, for the evidence."""
    first: Instant | None = None
    """When the first bytes came."""
    held: list[tuple[Time | None, list[Item]]] = field(default_factory=list)
    known: bool = False
    """Whether the device is known to have started anew: its numbers or its boot number said so."""
    tells_time: bool = True
    """Whether the device's clock is its own; where the logger made it, it says nothing."""
    _fresh: Listener = field(default_factory=Listener)

    def hold(self, time: Time | None, pieces: list[Item], now: Instant) -> None:
        """Keep what one read brought."""
        self.first = self.first or now
        self.held.append((time, pieces))
        for piece in pieces:
            body = piece.body if isinstance(piece, Piece) else None
            if body is not None and body[0] < FIRST_HOST_KIND:
                self._fresh.hear(body)

    @property
    def boot(self) -> int | None:
        """Boot number heard first after the gap; None while no frame was understood."""
        return self._fresh.boot

    @property
    def restarted(self) -> bool:
        """Whether the device is known to have started anew."""
        return bool(self._restart())

    @property
    def settled(self) -> bool:
        """Whether nothing more is to be learned by waiting."""
        after = self._after()
        if after is None:
            return False
        voltages = self.before is None or self.before.voltage is None or after.voltage is not None
        return voltages or not self.restarted

    def evidence(self) -> str:
        """Return the LINK record's text with what is known by now."""
        before, after = self.before, self._after()
        if after is None:
            verdict = "no frame understood yet"
        elif not self.tells_time:
            verdict = "heard again; it sends no clock, so a restart cannot be told from a lost link"
        elif before is None:
            verdict = f"first heard: boot {after.boot}, clock {after.clock / 1e6:.3f} s"
        else:
            verdict = self._restart() or _carried_on(before, after)
        return "; ".join(filter(None, (self.note, verdict)))

    def _after(self) -> LastHeard | None:
        return LastHeard.last(self._fresh, self.first.monotonic if self.first else 0)

    def _restart(self) -> str:
        after = self._after()
        return _restarted(self.before, after, self.known) if self.before and after else ""


def _restarted(before: LastHeard, after: LastHeard, known: bool) -> str:
    """Return the evidence for a restart, or nothing when the clock carried on."""
    clock = f"clock from {before.clock / 1e6:.3f} s to {after.clock / 1e6:.3f} s"
    if before.boot != after.boot:
        text = f"device restarted: boot {before.boot} then {after.boot}, {clock}"
    elif abs(_disagreement(before, after)) > _SLACK + (after.at - before.at) // 100:
        text = f"device restarted: boot still {before.boot}, but {clock}"
    elif known:
        text = f"device restarted: boot still {before.boot}, but its numbers began anew, {clock}"
    else:
        return ""
    if before.voltage is not None and after.voltage is not None:
        text += f"; pack {before.voltage:.2f} V before, {after.voltage:.2f} V after"
    return text


def _carried_on(before: LastHeard, after: LastHeard) -> str:
    host = after.at - before.at
    device = host + _disagreement(before, after)
    return (
        f"radio or cable loss: device clock carried on in boot {after.boot} "
        f"({device / 1e6:.3f} s by the device, {host / 1e6:.3f} s by the host)"
    )


def _disagreement(before: LastHeard, after: LastHeard) -> int:
    """Return device µs minus host µs that went by, the nearest that a 32-bit clock allows."""
    gone = after.clock - before.clock - (after.at - before.at)
    return (gone + (_SPAN >> 1)) % _SPAN - (_SPAN >> 1)
