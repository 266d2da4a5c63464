"""How long a zoom takes: from the key or wheel to the last plot in sight drawn.

One simulated hour, 100 Hz, 40 channels; with ``--hours 10`` also the same ten times as long.  The
page is opened at 1400 × 900 in Chromium with its traces in sight, zoomed in and out again twenty
times, and the median and the slowest are printed in ms.  Aims: a median of at most 60 ms on the
one-hour page and of 80 ms on the ten-hour page.  Beside it stands the
processor time that the page's own thread took a zoom, the plots out of sight included.
Run: ``python tests/benchmarks/zoom.py``.
"""

import argparse
import os
import sys
import tempfile
from pathlib import Path
from statistics import median

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

sys.path.insert(0, str(Path(__file__).parents[1]))

from selenium import webdriver

from benchmarks.page import lengthen, plot, simulate
from support.browser import chromium, open_page

AIMS = {1: 60.0, 10: 80.0}

ZOOMS = """
const done = arguments[0];
document.getElementById("groups").scrollIntoView();
const times = [];
const inSight = () => panels.filter(({ plot }) => {
  const box = plot.parentElement.getBoundingClientRect();
  return box.bottom > 0 && box.top < innerHeight;
});
const factors = Array.from({ length: 40 }, (_, n) => (n % 2 ? 2 : 0.5));
const next = () => {
  if (!factors.length) return done(times);
  // All is at rest before each zoom, the plots out of sight too.
  if (document.body.dataset.busy !== "") return setTimeout(next, 20);
  const seen = inSight();
  const start = performance.now();
  zoomBy(factors.pop());
  const look = () => {
    if (seen.some((panel) => panel.dirty)) return requestAnimationFrame(look);
    times.push(performance.now() - start);
    setTimeout(next, 30);
  };
  requestAnimationFrame(look);
};
next();
"""


def zooms(page: Path) -> tuple[list[float], float]:
    """Return the ms of forty zooms, and the mean ms of processor time that one took in all."""
    with chromium(1400, 900) as driver:
        driver.set_script_timeout(600)
        driver.set_page_load_timeout(600)
        open_page(driver, page)
        driver.execute_cdp_cmd("Performance.enable", {"timeDomain": "threadTicks"})
        before = _busy(driver)
        times: list[float] = driver.execute_async_script(ZOOMS)
        return times, 1000 * (_busy(driver) - before) / len(times)


def _busy(driver: webdriver.Chrome) -> float:
    """Return the s of processor time of the page's main thread so far."""
    metrics = driver.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
    return next(float(one["value"]) for one in metrics if one["name"] == "TaskDuration")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=int, default=1)
    hours = parser.parse_args().hours
    with tempfile.TemporaryDirectory() as place:
        log, page = Path(place) / "hour.sagline", Path(place) / "page.html"
        simulate(log, 3600)
        for length in dict.fromkeys((1, hours)):
            ride = log
            if length > 1:
                ride = Path(place) / "long.sagline"
                lengthen(log, ride, length)
            plot(ride, page)
            times, busy = zooms(page)
            aim = f"; aim {AIMS[length]:.0f} ms" if length in AIMS else ""
            print(
                f"zoom {length:2} h  median {median(times):.0f} ms, slowest {max(times):.0f} ms "
                f"({len(times)} zooms{aim}); processor time {busy:.0f} ms"
            )


if __name__ == "__main__":
    main()
