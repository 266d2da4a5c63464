"""The builder's questions, in the order of the page, each answered by a module of its own."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Literal

from sagline_logger.format import BoardFile
from sagline_logger.format.progress import tell

from ..load.opening import board_inside
from ..load.ride import Ride
from .answer import Answer
from .basis import Basis, open_basis
from .belief.history import PackHistory
from .cells import cells_answer, fit_packs
from .consumption import consumption_answer
from .fault_answer import fault_answer
from .full_pack import full_pack_answer
from .heat import heat_answer
from .held_back import held_back_answer
from .low_cell import low_cell_answer
from .pack_range import pack_answer
from .parts import part_answer
from .sides import sides_answer

_CURRENT = ("battery_current", "controller_battery_current")
_CELLS = ("cell_voltage", "pack_voltage", *_CURRENT)
_TURNING = ("motor_speed", "motor_electrical_speed")
_DRIVE = ("motor_current", "duty_cycle", "throttle", *_TURNING, *_CURRENT)
RESTS_ON: dict[str, tuple[str, ...]] = {
    "fault": (
        *_DRIVE, *_CELLS, "speed", "brake", "motor_temperature", "controller_temperature",
        "battery_temperature",
    ),
    "parts": ("motor_current", *_CURRENT),
    "held_back": (
        *_DRIVE, "pack_voltage", "cell_voltage", "motor_temperature", "controller_temperature",
    ),
    "heat": ("motor_temperature", "controller_temperature", "battery_temperature",
             "ambient_temperature", "motor_current", "motor_speed", "speed"),
    "cells": _CELLS,
    "low_cell": _CELLS,
    "pack_range": (*_CELLS, "speed", *_TURNING),
    "consumption": ("pack_voltage", *_CURRENT, "speed", *_TURNING),
    "full_pack": _CELLS,
    "sides": ("motor_current", *_TURNING, "motor_temperature", "controller_temperature"),
}  # fmt: skip
"""The channels that the answer to each question rests on, to tell what it lost with a sensor."""

RESTS_ON_PACK = ("fault", "parts", "cells", "low_cell", "pack_range", "full_pack")
"""The answers that use what the board file states of the pack."""


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
    A new finding adds its line here; the page and ``summary --json`` then show it.

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
        for doubt in basis.lost(*RESTS_ON.get(answer.key, ()))
    )
    if basis.misfit and answer.key in RESTS_ON_PACK:
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
    ride, board = basis.ride, basis.board
    # Those that need no fit of the cells come first: on a long ride the fit takes a lot of memory.
    part, held, heat, consumption, sides = _told(
        0,
        lambda: part_answer(ride, board),
        lambda: held_back_answer(ride, board),
        lambda: heat_answer(ride, board),
        lambda: consumption_answer(ride, board),
        lambda: sides_answer(ride, board),
    )
    tell(_DOING, 5, _JOBS)
    packs = fit_packs(ride, board)  # five questions start from the same fit
    fault, cells, low, range_, full = _told(
        6,
        lambda: fault_answer(ride, board, packs, basis.sensors),
        lambda: cells_answer(ride, board, packs),
        lambda: low_cell_answer(ride, board, packs),
        lambda: pack_answer(ride, board, packs, other_capacity, plan, history),
        lambda: full_pack_answer(ride, board, packs),
    )
    return (fault, part, held, heat, cells, low, range_, consumption, full, sides)


_DOING = "working out the answers"
_JOBS = 11


def _told(first: int, *jobs: Callable[[], Answer]) -> Iterator[Answer]:
    """Yield what each job gives, saying which of all it is."""
    for number, job in enumerate(jobs, first):
        tell(_DOING, number, _JOBS)
        yield job()
