"""Lose the radio link N times and check the log: python tests/soak/ble_disconnects.py [N [SEED]]

Runs the real ``sagline-logger record --ble`` over unmodified bleak and a private real D-Bus daemon,
with a stand-in for the Bluetooth service and the simulated board behind it.
"""

import random
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.bluez_disconnects import disconnect_often
from support.bluez_peripheral import Bluetooth, dbus_daemon

BACK_WITHIN = 2.0
"""Seconds after the board can be heard again."""


def main() -> int:
    """Run and print; 0 when every delivered byte is in the log once and all came back in time."""
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    with (
        tempfile.TemporaryDirectory() as directory,
        dbus_daemon() as bus,
        Bluetooth(bus) as bluetooth,
    ):
        # Longer away than one search lasts, so that some come back in the pause between searches.
        back = disconnect_often(bluetooth, Path(directory), times, random.Random(seed), away=8.0)
    late = sum(seconds > BACK_WITHIN for seconds in back)
    print(
        f"{times} lost links (seed {seed}): every delivered byte is in the log, once; back after "
        f"{statistics.median(back):.2f} s in the middle, {max(back):.2f} s at worst, "
        f"{late} later than {BACK_WITHIN:g} s"
    )
    return int(late > 0)


if __name__ == "__main__":
    sys.exit(main())
