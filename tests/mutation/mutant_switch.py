"""What stands in a mutated module in place of mutmut's own trampoline: it calls the original or the
mutant that was chosen, and keeps which functions were reached.

A program that a test starts takes its mutant from the environment, and says there what it reached.
"""

import atexit
import json
import os
import uuid
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

VARIABLE = "SAGLINE_MUTANT"
REACHED = "SAGLINE_MUTANTS_REACHED"
"""Name of a directory in which every program leaves what it reached."""
ORIGINAL = "_mutmut_orig"
MutantDict = dict[str, Callable[..., Any]]

reached: set[tuple[str, str]] = set()
"""(module, function as mutmut writes it) of what was called since this was cleared."""

_module = _name = ""


def choose(mutant: str) -> None:
    """Let ``mutant`` (``package.module.x_function__mutmut_3``) be in force; "" for none."""
    global _module, _name
    _module, _, _name = mutant.rpartition(".")
    os.environ[VARIABLE] = mutant


def function_of(mutant: str) -> tuple[str, str]:
    """Return the (module, function) that ``mutant`` is of, as ``reached`` keeps them."""
    module, _, name = mutant.rpartition(".")
    return module, name.partition("__mutmut_")[0]


def wrap_in_trampoline(
    mutants: MutantDict, is_classmethod: bool = False
) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Return the decorator that mutmut's generated code asks for; ``mutants`` is filled later."""

    def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
        module = function.__module__
        key: tuple[str, str] | None = None

        @wraps(function)
        def switched(*args: Any, **kwargs: Any) -> Any:
            nonlocal key
            target = mutants[ORIGINAL]
            if key is None:
                key = (module, target.__name__.partition("__mutmut_")[0])
            reached.add(key)
            if module == _module:
                target = mutants.get(_name, target)
            if is_classmethod:  # bound to the class it is called of, not to the one it stands in
                return getattr(args[0], target.__name__)(*args[1:], **kwargs)
            return target(*args, **kwargs)

        return switched

    return decorate


@atexit.register
def leave() -> None:
    """Leave what was reached where it is asked for."""
    asked = os.environ.get(REACHED)
    if asked and Path(asked).is_dir():
        (Path(asked) / f"{uuid.uuid4()}.json").write_text(json.dumps(sorted(reached)))


choose(os.environ.get(VARIABLE, ""))
