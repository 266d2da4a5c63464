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

LONG = (
    "tests/phone/test_page.py",
    "tests/test_docs.py",
    "tests/install/test_install.py",
    "tests/edges/test_program.py",
    "tests/capture/test_tcp.py",
    "tests/lines/test_lines_record.py",
    "tests/lines/test_three_commands.py",
    "tests/lines/test_hard_ends.py",
    "tests/phone/test_doors.py",
    "tests/emitters/test_sketches.py",
    "tests/emitters/test_on_cortex_m.py",
    "tests/can_bus/test_can.py",
    "tests/ble/test_other_modules.py",
    "tests/ble/test_ble_commands.py",
    "tests/demo/test_questions.py",
    "tests/demo/test_demo.py",
    "tests/rides/test_library.py",
    "tests/page/test_report.py",
    "tests/page/test_accessible.py",
    "tests/page/test_limit_names.py",
    "tests/capture/test_kill.py",
    "tests/share/test_page.py",
)
"""Files that take longest, the longest first: they start first and in this order, lest one of them
runs alone at the end.

Within a file, and of the others, the order stays (``--no-loadscope-reorder``)."""


def pytest_configure(config: pytest.Config) -> None:
    """Make the directory of what the processes of a run share; the first of them removes it."""
    if not hasattr(config, "workerinput"):
        place = tempfile.TemporaryDirectory(prefix="sagline-tests-")
        config.add_cleanup(place.cleanup)
        os.environ[PLACE] = place.name


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    place = {name: number for number, name in enumerate(LONG)}
    items.sort(key=lambda item: place.get(item.nodeid.partition("::")[0], len(LONG)))


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
