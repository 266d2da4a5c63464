"""The builder's questions, in the order of the page, each answered by a module of its own."""

from sagline_logger.format import BoardFile

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
    board: BoardFile | None = None,
    other_capacity: float | None = None,
    plan: float | None = None,
) -> tuple[Answer, ...]:
    """Return what the ride says about every question, unanswerable ones with their reason.

    ``other_capacity`` in Ah is that of another pack whose range is wanted too, ``plan`` a distance
    in km for which a pack is wanted.
    A new finding adds its line here; the page and ``summary --json`` then show it.
    """
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
    packs = fit_packs(ride, board)  # four questions start from the same fit
    return (
        fault,
        part,
        held,
        heat,
        cells_answer(ride, board, packs),
        low_cell_answer(ride, board, packs),
        pack_answer(ride, board, packs, other_capacity, plan),
        consumption,
        full_pack_answer(ride, board, packs),
        sides,
    )
