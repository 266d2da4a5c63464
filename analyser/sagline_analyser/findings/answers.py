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
from .cells.fitted import Asked, cells_answer, fit_packs
from .cells.full_pack import full_pack_answer
from .cells.low_cell import low_cell_answer
from .drive.held_back import held_back_answer
from .drive.sides import sides_answer
from .energy.consumption import consumption_answer
from .energy.pack_range import pack_answer
from .faults.answer import fault_answer
from .heat import heat_answer
from .limits.parts import part_answer
from .readings.gathered import Gathered
from .telling.answer import Answer

_CURRENT = ("battery_current", "controller_battery_current")
_VOLTAGE = ("pack_voltage", "cell_voltage")
_CELLS = ("cell_voltage", "pack_voltage", *_CURRENT)
_TURNING = ("motor_speed", "motor_electrical_speed")
_WARM = ("motor_temperature", "controller_temperature")
_DRIVE = ("motor_current", "duty_cycle", "throttle", *_TURNING, *_CURRENT)
_POWER = ("pack_voltage", *_CURRENT, "speed", *_TURNING)
_AIR = ("battery_temperature", "ambient_temperature")
_HEAT = (*_WARM, *_AIR, "motor_current", "motor_speed", "speed")
_ALL = (*_DRIVE, *_CELLS, "speed", "brake", *_WARM, "battery_temperature")


@dataclass(frozen=True, kw_only=True)
class Question:
    """One question, and the channels that its answer rests on, to tell what it lost with a sensor.

    It is answered from what every question asks of a ride (``basis``), or starts from the fits of
    the packs (``fits``), which on a long ride take a lot of memory.  ``pack``: it uses what the
    board file states of the pack.
    """

    basis: Callable[[Gathered], Answer] | None = None
    fits: Callable[[Asked], Answer] | None = None
    rests_on: tuple[str, ...]
    pack: bool = False


QUESTIONS: dict[str, Question] = {
    "fault": Question(fits=fault_answer, rests_on=_ALL, pack=True),
    "parts": Question(basis=part_answer, rests_on=("motor_current", *_CURRENT), pack=True),
    "held_back": Question(basis=held_back_answer, rests_on=(*_DRIVE, *_VOLTAGE, *_WARM)),
    "heat": Question(basis=heat_answer, rests_on=_HEAT),
    "cells": Question(fits=cells_answer, rests_on=_CELLS, pack=True),
    "low_cell": Question(fits=low_cell_answer, rests_on=_CELLS, pack=True),
    "pack_range": Question(fits=pack_answer, rests_on=(*_CELLS, "speed", *_TURNING), pack=True),
    "consumption": Question(basis=consumption_answer, rests_on=_POWER),
    "full_pack": Question(fits=full_pack_answer, rests_on=_CELLS, pack=True),
    "sides": Question(basis=sides_answer, rests_on=("motor_current", *_TURNING, *_WARM)),
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
        f"{'Without' if doubt.set_aside else 'With gaps in'} {what} ({doubt.doubt}): "
        f"{doubt.evidence}"
        for what, doubt in basis.told(basis.lost(*QUESTIONS[answer.key].rests_on))
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
    jobs = len(QUESTIONS) + 1
    found: dict[str, Answer] = {}
    # Those that need no fit of the packs come first: on a long ride the fit takes a lot of memory.
    for key, question in QUESTIONS.items():
        if question.basis is not None:
            tell(_DOING, len(found), jobs)
            found[key] = question.basis(basis)
    tell(_DOING, len(found), jobs)
    asked = Asked(basis, fit_packs(basis), basis.sensors, other_capacity, plan, history)
    for key, question in QUESTIONS.items():
        if question.fits is not None:
            tell(_DOING, len(found) + 1, jobs)
            found[key] = question.fits(asked)
    return tuple(found[key] for key in QUESTIONS)


_DOING = "working out the answers"
