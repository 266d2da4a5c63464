"""The second decoder, ``tests/format/independent_decoder.py``, which stands alone on purpose."""

import importlib.util
from pathlib import Path

_spec = importlib.util.spec_from_file_location(
    "independent_decoder", Path(__file__).parents[1] / "format" / "independent_decoder.py"
)
assert _spec is not None and _spec.loader is not None
_module = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_module)
account = _module.account
