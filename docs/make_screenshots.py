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
from support.browser import chromium, emulate, open_page, wait_drawn  # noqa: E402
from support.doc_rides import BOARD, ride_log  # noqa: E402

PICTURES = {
    "report_top": ("#strip-place", 240),
    "report_answers": ("#answers", 566),
    "report_traces": ("#group-current", 500),
    "report_zoomed": ("#group-current", 500),
    "report_crossings": ("#crossings", 420),
    "report_course": ("#group-course", 380),
}
"""Name of a picture: the part of the page, and how much of it in pixels from its top."""

LOOKS = {
    "look_desk": (1400, 900, False),
    "look_dark": (1400, 900, True),
    "look_phone": (390, 844, False),
    "look_phone_dark": (390, 844, True),
}
"""Name of a picture of the first screen: width, height, dark."""

SHEET = (760, 1075)
"""px of a printed sheet, about A4 at 96 px an inch without its margins."""


def main() -> int:
    """Write the pictures and return the exit status."""
    parser = argparse.ArgumentParser(description="Make the pictures of the how-to pages.")
    parser.add_argument("--out", type=Path, default=ROOT / "docs" / "pictures", metavar="DIR")
    parser.add_argument("--quick", action="store_true", help="10 s of the ride only")
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        log, page = Path(place) / "ride.sagline", Path(place) / "ride.html"
        log.write_bytes(ride_log(BREAD_RUN, seconds=10 if arguments.quick else 745, course=True))
        write_page(load_ride(log), page, load_board_file(BOARD)[0])
        with chromium(1280, 900) as driver:
            open_page(driver, page)
            for name, (part, height) in PICTURES.items():
                if name == "report_zoomed":
                    zoom_to_first_crossing(driver)
                picture = arguments.out / f"{name}.png"
                picture.write_bytes(shoot(driver, part, height))
                print(f"{picture} ({picture.stat().st_size / 1000:.0f} kB)")
            for name, (width, high, dark) in LOOKS.items():
                emulate(driver, width, high, dark)
                open_page(driver, page)
                keep(driver, arguments.out / f"{name}.png", {"width": width, "height": high})
            emulate(driver, *SHEET)
            open_page(driver, page)
            driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
            driver.execute_script("setPrinting(true)")
            wait_drawn(driver)
            keep(
                driver,
                arguments.out / "look_print.png",
                dict(zip(("width", "height"), SHEET, strict=True)),
            )
    return 0


def keep(driver: Any, picture: Path, size: dict[str, int]) -> None:
    """Write what is in sight."""
    options = {"format": "png", "clip": {"x": 0, "y": 0, **size, "scale": 0.8}}
    shot = driver.execute_cdp_cmd("Page.captureScreenshot", options)
    picture.write_bytes(base64.b64decode(shot["data"]))
    print(f"{picture} ({picture.stat().st_size / 1000:.0f} kB)")


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
