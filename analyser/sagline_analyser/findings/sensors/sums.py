"""A sum that must come out: that of the cells is the pack voltage."""

import numpy as np

from .look import Look, peak_of

SUM = 0.03
"""Share by which pack voltage may stand off the sum of the cells (common practice, no source; the
check before a ride fails there too)."""

ALWAYS = 0.9
"""Share of a ride's readings that must be off for the sensor to be so (our choice)."""

SEEN = 2.0
"""s for which pack and cells must be known side by side (our choice)."""


def check_sums(look: Look) -> None:
    """Note a pack voltage that is not its cells' sum."""
    keys = [key for key in look.ride.keys("cell_voltage") if look.native(key) is not None]
    cells = look.all_of("cell_voltage")
    if len(cells) < 2 or len(cells) < len(keys):
        return
    total = cells.sum(axis=0)
    stated = look.board.battery.cells if look.board else 0
    current = look.at("battery_current")
    for key in look.keys("pack_voltage"):
        pack = look.at(key)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = pack / total
            light = ~(np.abs(current) > 0.2 * peak_of(current))
        used = ratio[np.isfinite(ratio) & light]
        if len(used) * look.step < SEEN:
            used = ratio[np.isfinite(ratio)]
        if len(used) * look.step < SEEN:
            continue
        middle = float(np.median(used))
        # A sensor out of trim is so all along; a supply that went away was right before.
        away = np.mean(np.sign(middle - 1) * (used - 1) > SUM)
        if abs(middle - 1) <= SUM or away < ALWAYS:
            continue
        lacking = (middle - 1) * len(cells)
        # More volts than the cells add up to may be whole cells that are not sent.
        whole = lacking > 0.8 and abs(lacking - round(lacking)) < 0.15
        if whole and stated != len(cells):
            continue
        look.add(
            key,
            "not the sum of its cells",
            f"It was {100 * (middle - 1):+.1f} % against the sum of the {len(cells)} cells "
            f"({np.nanmedian(pack):.2f} against {np.nanmedian(total):.2f} V).",
            ((float(look.time[0]), float(look.time[-1])),),
        )
