"""Names of limits and the data they mark, on ten rides: bounding boxes in Chromium."""

from pathlib import Path

import numpy as np
import pytest
from selenium import webdriver

from page.conftest import BOARD
from sagline_analyser.load import Ride
from sagline_analyser.page.document import write_page
from sagline_logger.format import load_board_file
from support.browser import emulate, open_page, resize, wait_drawn
from support.rides import channel, make_ride, make_stream

OVER = """
const apart = (a, b) => a.right <= b.left + 0.5 || b.right <= a.left + 0.5 ||
  a.bottom <= b.top + 0.5 || b.bottom <= a.top + 0.5;
const over = [];
let names = 0, drawn = 0;
for (const panel of panels) {
  const labels = [...panel.labels.querySelectorAll(":scope > span")];
  const data = [...panel.plot.querySelectorAll(".line, .mark, .on")]
    .map((one) => one.getBoundingClientRect()).filter((one) => one.width);
  names += labels.length;
  drawn += data.length;
  const inside = panel.touch.getBoundingClientRect();
  const boxes = labels.map((label) => label.getBoundingClientRect());
  for (const [n, label] of labels.entries()) {
    const box = boxes[n];
    if (!apart(box, inside)) over.push([panel.title, label.textContent, "on the plot"]);
    for (const one of data) {
      // What lies outside the axes is clipped and not drawn.
      const { left, right, top, bottom } = one;
      const seen = { top, bottom, left: Math.max(left, inside.left) };
      seen.right = Math.min(right, inside.right);
      if (seen.right <= seen.left || apart(box, seen)) continue;
      over.push([panel.title, label.textContent, "on data"]);
    }
    for (const other of boxes) {
      if (other === box || apart(box, other)) continue;
      over.push([panel.title, "two names"]);
    }
  }
}
return { over, names, drawn };
"""


def ride(number: int) -> Ride:
    """Return an invented ride; each of the ten reaches its limits in another way."""
    random = np.random.default_rng(number)
    time = np.arange(0, 60 + 30 * number, 0.1)
    push = np.clip(np.cumsum(random.normal(0, 0.15, time.size)), -1, 1)
    scale = (0.3, 0.6, 0.9, 1.0, 1.1, 1.3, 1.6, 2.0, 3.0, 0.45)[number]
    count = (13, 2, 4, 13, 13, 13, 13, 2, 1, 13)[number]
    columns = {
        channel("battery_current", "A"): 40 * scale * push,
        channel("motor_current", "A", 1): 42 * scale * push,
        channel("motor_current", "A", 2): 40 * scale * np.abs(push),
        channel("pack_voltage", "V"): 47 - 6 * scale * np.abs(push),
        channel("motor_temperature", "°C", 1): 30 + 50 * scale * time / time[-1],
        channel("controller_temperature", "°C", 1): 25 + 20 * scale * time / time[-1],
        channel("duty_cycle", "1", 1): np.clip(scale * np.abs(push), 0, 1),
        channel("speed", "m/s"): 6 * np.abs(push),
        **{
            channel("cell_voltage", "V", n + 1): 3.6 - 0.4 * scale * np.abs(push) - 0.01 * n
            for n in range(count)
        },
    }
    return make_ride(make_stream("fast", time, columns, [], 0.1))


@pytest.mark.parametrize("number", range(10))
def test_no_name_of_a_limit_lies_on_data(
    browser: webdriver.Chrome, tmp_path: Path, number: int
) -> None:
    path = tmp_path / "ride.html"
    write_page(ride(number), path, load_board_file(BOARD)[0], answered=())
    names = 0
    try:
        emulate(browser, 1400, 900)
        open_page(browser, path)
        for width in (1400, 390):
            if width == 390:
                browser.execute_script("setPrinting(false); setView(...whole)")
                resize(browser, width, 900)
            assert browser.execute_script("return innerWidth") == width
            looks = ("", "setView(10, 30)", "setPrinting(true)") if width == 1400 else ("",)
            for look in looks:
                browser.execute_script(look)
                wait_drawn(browser)
                found = browser.execute_script(OVER)
                assert found["over"] == [], (width, look)
                assert found["drawn"] > 10
                names += found["names"]
    finally:
        emulate(browser, 1400, 1000)
    assert names > 2
