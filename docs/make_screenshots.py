"""Make the pictures of the how-to pages: python docs/make_screenshots.py [--out DIR] [--quick]

Simulates the demo's ride, writes its report and opens that in a headless Chromium.  Needs the test
set-up (see the README).  ``--quick`` takes 10 s of the ride only, to see that all this works.
"""

import argparse
import base64
import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from sagline_analyser import load_ride, write_page  # noqa: E402
from sagline_logger.format import load_board_file  # noqa: E402
from sagline_logger.simulator import BREAD_RUN  # noqa: E402
from support.browser import chromium, open_page, wait_drawn  # noqa: E402
from support.doc_rides import BOARD, ride_log  # noqa: E402

PICTURES = {
    "report_top": ("#strip-place", 240),
    "report_answers": ("#answers", 566),
    "report_traces": ("#stage", 560),
    "report_zoomed": ("#stage", 560),
    "report_crossings": ("#crossings", 420),
}
"""Name of a picture: the part of the page, and how much of it in pixels from its top."""


def main() -> int:
    """Write the pictures and return the exit status."""
    parser = argparse.ArgumentParser(description="Make the pictures of the how-to pages.")
    parser.add_argument("--out", type=Path, default=ROOT / "docs" / "pictures", metavar="DIR")
    parser.add_argument("--quick", action="store_true", help="10 s of the ride only")
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        log, page = Path(place) / "ride.sagline", Path(place) / "ride.html"
        log.write_bytes(ride_log(BREAD_RUN, seconds=10 if arguments.quick else None))
        write_page(load_ride(log), page, load_board_file(BOARD)[0])
        with chromium(1100, 800) as driver:
            open_page(driver, page)
            for name, (part, height) in PICTURES.items():
                if name == "report_zoomed":
                    zoom_to_first_crossing(driver)
                picture = arguments.out / f"{name}.png"
                picture.write_bytes(shoot(driver, part, height))
                print(f"{picture} ({picture.stat().st_size / 1000:.0f} kB)")
    return 0


def zoom_to_first_crossing(driver: Any) -> None:
    """Follow the first link of the crossings, as a reader does."""
    driver.execute_script("document.querySelector('#crossings a').click()")
    wait_drawn(driver)


def shoot(driver: Any, part: str, height: int) -> bytes:
    """Return a PNG of the top ``height`` pixels of a part of the page."""
    box = driver.execute_script(
        "const b = document.querySelector(arguments[0]).getBoundingClientRect();"
        "return {x: 0, y: b.top + scrollY, width: innerWidth, height: b.height};",
        part,
    )
    clip = {**box, "height": min(box["height"], height), "scale": 1}
    options = {"format": "png", "clip": clip, "captureBeyondViewport": True}
    wait_drawn(driver)
    return base64.b64decode(driver.execute_cdp_cmd("Page.captureScreenshot", options)["data"])


if __name__ == "__main__":
    sys.exit(main())
