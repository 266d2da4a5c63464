"""How `verify` reads zeros, as a disk leaves them, against frames: ``python … verify.py``.

Processor time over eight megabytes of each, paired, the best of five.
"""

import io
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from sagline_logger.format import Capture, Instant, encode_frame, read_log
from sagline_logger.format.log_file import SIGNATURE
from sagline_logger.verify.survey import survey
from support.frames import Device

SIZE = 8 << 20


def main() -> None:
    """Run both and print the ratio."""
    head = SIGNATURE + encode_frame(Capture(Instant(0, 0), "test", "serial x", "").encode())
    ride = b"".join(Device().run(400))
    logs = {"frames": head + ride * (SIZE // len(ride)), "zeros": head + ride + bytes(SIZE)}
    spent = dict.fromkeys(logs, float("inf"))
    for _ in range(5):
        for name, data in logs.items():
            began = time.process_time()
            survey(read_log(io.BytesIO(data)))
            spent[name] = min(spent[name], time.process_time() - began)
    print(f"zeros take {spent['zeros'] / spent['frames']:.2f} of the time of frames (aim 1)")


if __name__ == "__main__":
    main()
