"""How a source's module offers it to the command line."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from .source import Option, Source
from .translator import LINES, Translation, frames_or_lines


@dataclass(frozen=True)
class SourceKind:
    """What a source's module offers: its option, those that go with it, and its constructor.

    ``make`` and ``translation`` (how what it delivers is read) get the values of all of them by
    name, defaults filled in; :data:`~.translator.LINES` is always among them where the default
    translation is.
    """

    option: Option
    make: Callable[[Mapping[str, Any]], Source]
    options: tuple[Option, ...] = (LINES,)
    translation: Callable[[Mapping[str, Any]], Translation] = frames_or_lines
    live: bool = True
    """Whether it brings a board's own bytes, as they come."""
