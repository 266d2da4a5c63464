"""Settings for every test: hypothesis must not fail an example for being slow on a busy machine,
and numpy, here and in the programs started, must not spin on a core that another test could use."""

import os
import signal
import sys

import pytest
from hypothesis import settings

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

LONG = ("tests/test_docs.py", "tests/edges/test_program.py", "tests/demo/test_questions.py")
"""Files that take longest: they start first, lest one of them runs alone at the end.

Within a file, and of the others, the order stays (``--no-loadscope-reorder``)."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: not item.nodeid.startswith(LONG))
