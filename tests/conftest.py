"""Settings for every test: hypothesis must not fail an example for being slow on a busy machine,
and numpy, here and in the programs started, must not spin on a core that another test could use."""

import os
import signal

from hypothesis import settings

settings.register_profile("sagline", deadline=None)
settings.load_profile("sagline")

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before anything imports numpy

# The programs started keep their compiled modules: without, each of hundreds compiles them anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")  # it would report home otherwise

# Whoever started the tests may have them ignore these (nohup, a shell's background job); programs
# under test inherit that, and they honour it.
signal.signal(signal.SIGHUP, signal.SIG_DFL)
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
