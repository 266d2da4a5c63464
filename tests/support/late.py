"""A package that takes a second to load is loaded when a test first uses it.

Every process of a run collects every test file, so what a file imports at its head is paid for in
all of them; only one of them runs the file.
"""

import functools
import importlib
from collections.abc import Callable
from typing import Any


class _Late:
    def __init__(self, load: Callable[[], Any]) -> None:
        self._load = load

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_") and name != "__version__":
            raise AttributeError(name)  # pytest looks for marks of its own on all that a file has
        return getattr(self._load(), name)


def late(name: str, then: Callable[[Any], None] = lambda module: None) -> Any:
    """Return what stands for the module ``name``: any of its names loads it, and calls ``then``
    with it, once."""

    @functools.cache
    def load() -> Any:
        module = importlib.import_module(name)
        then(module)
        return module

    return _Late(load)
