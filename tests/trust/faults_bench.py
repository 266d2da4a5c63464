"""First at a fault: whether the cause told is the one that the model put there."""

from collections.abc import Iterator
from dataclasses import dataclass

from sagline_analyser.findings.basis import open_basis
from sagline_analyser.findings.cells.fitted import Asked, fit_packs
from sagline_analyser.findings.faults.answer import fault_stories
from sagline_analyser.findings.readings.gathered import Gathered
from trust.fault_rides import KINDS, FaultRide, fault_ride

SEEDS = 10
"""Cases of each kind at the most."""

NEAR = 2.5
"""s about the strike within which a told moment is this one."""


@dataclass(frozen=True)
class Told:
    """What was told of a ride of a kind, of which the causes ``right`` are so: the cause told first
    (its key, or ""), how sure, and whether the moment was found at all; ``elsewhere`` counts
    moments where nothing happened."""

    kind: str
    right: tuple[str, ...]
    first: str
    sure: str
    found: bool
    elsewhere: int

    @property
    def verdict(self) -> str:
        """``right``, ``wrong`` or ``cannot tell``."""
        if not self.first:
            return "cannot tell"
        return "right" if self.first in self.right else "wrong"


def told(made: FaultRide) -> Told:
    """Return what the analyser tells of a ride, as its page does."""
    basis = open_basis(made.ride, made.board)
    it = Gathered(basis.ride, made.board)
    stories = fault_stories(Asked(it, fit_packs(it), basis.sensors))
    here = [s for s in stories if abs(s.moment.time - made.at) <= NEAR]
    best = [c for s in here[:1] for c in s.causes if c.likelihood in ("likely", "possible")]
    first, sure = (best[0].key, str(best[0].likelihood)) if best else ("", "")
    return Told(made.kind, tuple(made.right), first, sure, bool(here), len(stories) - len(here))


def each(cases: int, seed: int, kinds: tuple[str, ...] = tuple(KINDS)) -> Iterator[Told]:
    """Yield what is told of up to ``cases`` rides of each kind."""
    for kind in kinds:
        made, number = 0, seed
        while made < min(cases, SEEDS) and number < seed + 4 * cases:
            ride = fault_ride(kind, number)
            number += 1
            if ride is not None:
                made += 1
                yield told(ride)


def rows(cases: int, seed: int) -> dict[str, list[Told]]:
    """Return what is told of the rides of each kind."""
    found: dict[str, list[Told]] = {}
    for one in each(cases, seed):
        found.setdefault(one.kind, []).append(one)
    return found


def tables(cases: int, seed: int) -> list[tuple[str, str]]:
    """Return the table of what was told of each kind."""
    return tables_of(rows(cases, seed))


def tables_of(rows: dict[str, list[Told]]) -> list[tuple[str, str]]:
    """Return the tables of :func:`rows`."""
    lines = [
        "| what happened | rides | named right | named wrong | said it cannot tell | moment not "
        "found | moments where nothing happened | told instead |",
        "|---|---:|---:|---:|---:|---:|---:|---|",
    ]
    for kind, own in rows.items():
        quiet = kind in ("rider lets go", "nothing")
        count = {v: sum(t.verdict == v for t in own) for v in ("right", "wrong", "cannot tell")}
        lost = 0 if quiet else sum(not t.found for t in own)
        wrong = ", ".join(sorted({f"{t.first} ({t.sure})" for t in own if t.verdict == "wrong"}))
        lines.append(
            f"| {kind} | {len(own)} | {count['right']} | {count['wrong']} | {count['cannot tell']} "
            f"| {'–' if quiet else lost} | {sum(t.elsewhere for t in own)} | {wrong or '–'} |"
        )
    return [
        ("First at a fault", "\n".join(lines)),
        ("First at a fault: what the words are worth", _words(rows)),
    ]


def _words(rows: dict[str, list[Told]]) -> str:
    """Return how often what is told in each word is right: the scale asks for 66 % of "likely" and
    33 % of "possible"."""
    lines = ["| word | told | right |", "|---|---:|---:|"]
    for word in ("likely", "possible"):
        own = [one for of in rows.values() for one in of if one.sure == word]
        right = sum(one.verdict == "right" for one in own)
        share = f"{100 * right / len(own):.0f} %" if own else "–"
        lines.append(f"| {word} | {len(own)} | {share} |")
    return "\n".join(lines)
