"""Settings for every test: hypothesis must not fail an example for being slow on a busy machine,
and numpy, here and in the programs started, must not spin on a core that another test could use."""

import gc
import os
import signal
import sys
import tempfile
from collections.abc import Iterator
from typing import Any

os.environ.setdefault("HYPOTHESIS_NO_PLUGINS", "1")  # of other packages: one of them loads trio

import pytest
from hypothesis import settings

from support.kept import PLACE

gc.disable()  # until every file is collected: what that makes stays to the end

settings.register_profile("sagline", deadline=None)
settings.load_profile("sagline")

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before anything imports numpy

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")  # it would report home otherwise

# The tests start our programs some hundred times: a quarter of each start would be spent compiling
# the same sources where the environment forbids keeping what was compiled.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# Whoever started the tests may have them ignore these (nohup, a shell's background job); programs
# under test inherit that, and they honour it.
signal.signal(signal.SIGHUP, signal.SIG_DFL)
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

TOGETHER = {
    "tests/page/": "page",
    "tests/demo/": "other pages",
    "tests/share/": "other pages",
    "tests/compare/test_page.py": "other pages",
    "tests/rides/": "other pages",
    "tests/simulator/test_energy.py": "bread run",
    "tests/simulator/test_transmission.py": "bread run",
}
"""What one process runs, one file after the other: files that start with this need the same
browser, or the same ride."""

LONG = (
    "tests/phone/test_page.py",
    "tests/page/",
    "tests/demo/",
    "tests/share/",
    "tests/compare/test_page.py",
    "tests/rides/",
    "tests/test_docs.py",
    "tests/install/test_install.py",
    "tests/ble/test_other_modules.py",
    "tests/edges/test_program.py",
    "tests/findings/test_known_part.py",
    "tests/ble/test_ble_commands.py",
    "tests/lines/test_three_commands.py",
    "tests/can_bus/test_can.py",
    "tests/load/test_damage.py",
    "tests/findings/test_drive_cycles.py",
    "tests/phone/test_doors.py",
    "tests/simulator/test_energy.py",
    "tests/simulator/test_transmission.py",
    "tests/findings/test_heat_trust.py",
    "tests/lines/test_lines_record.py",
    "tests/findings/test_sensors.py",
    "tests/findings/test_pack_range.py",
    "tests/live/test_screen.py",
    "tests/preride/test_command.py",
    "tests/findings/test_words.py",
    "tests/trust/test_compare_trust.py",
    "tests/capture/test_bad_input.py",
    "tests/format/test_log_file.py",
    "tests/capture/test_full_disk.py",
    "tests/simulator/test_serving.py",
    "tests/ble/test_ble_source.py",
    "tests/lines/test_hard_ends.py",
    "tests/emitters/test_sketches.py",
    "tests/load/test_against_slow_reading.py",
    "tests/capture/test_tcp.py",
)
"""Files and rooms that take longest, the longest first: they start first and in this order, lest
one of them runs alone at the end.

Within a file, and of the others, the order stays (``--no-loadscope-reorder``)."""


def pytest_configure(config: pytest.Config) -> None:
    """Make the directory of what the processes of a run share; the first of them removes it."""
    if not hasattr(config, "workerinput"):
        place = tempfile.TemporaryDirectory(prefix="sagline-tests-")
        config.add_cleanup(place.cleanup)
        os.environ[PLACE] = place.name


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    def place(item: pytest.Item) -> int:
        return next((n for n, name in enumerate(LONG) if item.nodeid.startswith(name)), len(LONG))

    items.sort(key=place)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """As ``--dist loadfile``, but for the files that stay together."""
    from xdist.scheduler import LoadFileScheduling

    class Rooms(LoadFileScheduling):  # type: ignore[misc]
        def _split_scope(self, nodeid: str) -> str:
            file: str = super()._split_scope(nodeid)
            return next((room for name, room in TOGETHER.items() if file.startswith(name)), file)

    return Rooms(config, log) if config.getoption("dist") == "loadfile" else None


def pytest_collection_finish() -> None:
    gc.freeze()  # nothing made so far is looked at again, however often a test collects
    gc.enable()


@pytest.fixture(scope="session")
def one_browser() -> Iterator[Any]:
    """The browser of this process: a start costs as much as opening a page or two."""
    from support.browser import chromium

    with chromium() as driver:
        yield driver


@pytest.fixture
def browser(one_browser: Any) -> Any:
    """A browser of 1400 × 1000 px, in light colours, that nobody has paired or asked anything."""
    from support.browser import anew

    anew(one_browser)
    return one_browser
