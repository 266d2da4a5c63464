"""The builder's questions, in the order of the page, each answered by a module of its own."""

from typing import Literal

from sagline_logger.format import BoardFile

from ..load.opening import board_inside
from ..load.ride import Ride
from .answer import Answer
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


def answers(
    ride: Ride,
    board: BoardFile | Literal["inside"] | None = "inside",
    other_capacity: float | None = None,
) -> tuple[Answer, ...]:
    """Return what the ride says about every question, unanswerable ones with their reason.

    ``board`` is the board file; by default the one inside the log, as the commands take it, and
    None for none at all.  ``other_capacity`` in Ah is that of another pack whose range is wanted
    too.

    Raises:
        SaglineError: the board file inside the log is not valid.

    A new finding adds its line here; the page and ``summary --json`` then show it.
    """
    if board == "inside":
        board = board_inside(ride)
    # Those that need no fit of the cells come first: on a long ride the fit takes a lot of memory.
    fault, part, held, heat, consumption, sides = (
        answer(ride, board)
        for answer in (
            fault_answer,
            part_answer,
            held_back_answer,
            heat_answer,
            consumption_answer,
            sides_answer,
        )
    )
    packs = fit_packs(ride)  # four questions start from the same fit
    return (
        fault,
        part,
        held,
        heat,
        cells_answer(ride, board, packs),
        low_cell_answer(ride, board, packs),
        pack_answer(ride, board, packs, other_capacity),
        consumption,
        full_pack_answer(ride, board, packs),
        sides,
    )
