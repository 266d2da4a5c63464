"""The builder's questions, in the order of the page, each answered by a module of its own."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from sagline_logger.format import BoardFile
from sagline_logger.format.progress import tell

from ..load.opening import board_inside
from ..load.ride import Ride
from .basis import Basis, open_basis
from .belief.history import PackHistory
from .cells.fitted import PackFit, cells_answer, fit_packs
from .cells.full_pack import full_pack_answer
from .cells.low_cell import low_cell_answer
from .drive.held_back import held_back_answer
from .drive.sides import sides_answer
from .energy.consumption import consumption_answer
from .energy.pack_range import pack_answer
from .faults.answer import fault_answer
from .heat import heat_answer
from .limits.parts import part_answer
from .telling.answer import Answer

_CURRENT = ("battery_current", "controller_battery_current")
_CELLS = ("cell_voltage", "pack_voltage", *_CURRENT)
_TURNING = ("motor_speed", "motor_electrical_speed")
_WARM = ("motor_temperature", "controller_temperature")
_DRIVE = ("motor_current", "duty_cycle", "throttle", *_TURNING, *_CURRENT)


@dataclass(frozen=True)
class Asked:
    """What the questions are asked of: the examined ride, its packs, and what the caller wants."""

    basis: Basis
    packs: tuple[PackFit, ...]
    other_capacity: float | None
    plan: float | None
    history: PackHistory | None

    @property
    def ride(self) -> Ride:
        """The ride without what its sensors cannot be right about."""
        return self.basis.ride

    @property
    def board(self) -> BoardFile | None:
        """The board file without what is not this ride's."""
        return self.basis.board


@dataclass(frozen=True)
class Question:
    """One question: who answers it, and the channels that the answer rests on, to tell what it lost
    with a sensor.  ``pack``: it uses what the board file states of the pack.  ``fits``: it starts
    from the fits of the cells, in ``Asked.packs``, which on a long ride take a lot of memory.
    """

    answer: Callable[[Asked], Answer]
    rests_on: tuple[str, ...]
    pack: bool = False
    fits: bool = True


QUESTIONS: dict[str, Question] = {
    "fault": Question(
        lambda it: fault_answer(it.ride, it.board, it.packs, it.basis.sensors),
        (*_DRIVE, *_CELLS, "speed", "brake", *_WARM, "battery_temperature"),
        pack=True,
    ),
    "parts": Question(
        lambda it: part_answer(it.ride, it.board),
        ("motor_current", *_CURRENT),
        pack=True,
        fits=False,
    ),
    "held_back": Question(
        lambda it: held_back_answer(it.ride, it.board),
        (*_DRIVE, "pack_voltage", "cell_voltage", *_WARM),
        fits=False,
    ),
    "heat": Question(
        lambda it: heat_answer(it.ride, it.board),
        (
            *_WARM,
            "battery_temperature",
            "ambient_temperature",
            "motor_current",
            "motor_speed",
            "speed",
        ),
        fits=False,
    ),
    "cells": Question(lambda it: cells_answer(it.ride, it.board, it.packs), _CELLS, pack=True),
    "low_cell": Question(
        lambda it: low_cell_answer(it.ride, it.board, it.packs), _CELLS, pack=True
    ),
    "pack_range": Question(
        lambda it: pack_answer(it.ride, it.board, it.packs, it.other_capacity, it.plan, it.history),
        (*_CELLS, "speed", *_TURNING),
        pack=True,
    ),
    "consumption": Question(
        lambda it: consumption_answer(it.ride, it.board),
        ("pack_voltage", *_CURRENT, "speed", *_TURNING),
        fits=False,
    ),
    "full_pack": Question(
        lambda it: full_pack_answer(it.ride, it.board, it.packs), _CELLS, pack=True
    ),
    "sides": Question(
        lambda it: sides_answer(it.ride, it.board),
        ("motor_current", *_TURNING, *_WARM),
        fits=False,
    ),
}
"""Every question by the key of its answer, in the order of the page: a new answer is its module and
its line here."""


def answers(
    ride: Ride | Basis,
    board: BoardFile | Literal["inside"] | None = "inside",
    other_capacity: float | None = None,
    plan: float | None = None,
    history: PackHistory | None = None,
) -> tuple[Answer, ...]:
    """Return what the ride says about every question, unanswerable ones with their reason.

    A ride is examined first (:func:`~.basis.open_basis`), and no answer rests on a sensor that
    cannot be right; one that lost something by that says what.
    ``board`` is the board file; by default the one inside the log, as the commands take it, and
    None for none at all.
    ``other_capacity`` in Ah is that of another pack whose range is wanted too, ``plan`` a distance
    in km for which a pack is wanted; ``history`` what earlier rides showed of the last pack.

    Raises:
        SaglineError: the board file inside the log is not valid.
    """
    if isinstance(ride, Basis):
        basis = ride
    else:
        basis = open_basis(ride, board_inside(ride) if board == "inside" else board)
    found = _answers(basis, other_capacity, plan, history)
    return tuple(_with_losses(answer, basis) for answer in found)


def _with_losses(answer: Answer, basis: Basis) -> Answer:
    """Return the answer with what it had to do without, and why."""
    told = tuple(
        f"{'Without' if doubt.set_aside else 'With gaps in'} {basis.words(doubt)} "
        f"({doubt.doubt}): {doubt.evidence}"
        for doubt in basis.lost(*QUESTIONS[answer.key].rests_on)
    )
    if basis.misfit and QUESTIONS[answer.key].pack:
        told = (
            f"Without the board file's pack, which is not this one: {basis.mismatches[0]}",
            *told,
        )
    if not told:
        return answer
    if not answer.known:
        return replace(answer, verdict=f"{answer.verdict} {' '.join(told)}")
    return replace(answer, details=(*told, *answer.details))


def _answers(
    basis: Basis, other_capacity: float | None, plan: float | None, history: PackHistory | None
) -> tuple[Answer, ...]:
    asked = Asked(basis, (), other_capacity, plan, history)
    jobs = len(QUESTIONS) + 1
    found: dict[str, Answer] = {}
    # Those that need no fit of the cells come first: on a long ride the fit takes a lot of memory.
    for fits in (False, True):
        if fits:
            tell(_DOING, len(found), jobs)
            asked = replace(asked, packs=fit_packs(asked.ride, asked.board))
        for key, question in QUESTIONS.items():
            if question.fits is fits:
                tell(_DOING, len(found) + fits, jobs)
                found[key] = question.answer(asked)
    return tuple(found[key] for key in QUESTIONS)


_DOING = "working out the answers"
