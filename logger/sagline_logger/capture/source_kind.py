"""How a source's module offers it to the command line."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .source import Option, Source
from .translator import FRAMES, Translation

LINES = Option("--lines", "MAP.toml", "the board prints lines of text; the map says what", Path)


def frames_or_lines(given: Mapping[str, Any]) -> Translation:
    """Return how to read a stream of bytes: frames, or lines where a map for them is given.

    Raises:
        SaglineError: the map cannot be read, or breaks a rule.
    """
    if given["lines"] is None:
        return FRAMES
    from .lines import lines_by  # whoever sends frames does not wait for it

    return lines_by(given["lines"])


@dataclass(frozen=True)
class SourceKind:
    """What a source's module offers: its option, those that go with it, and its constructor.

    ``make`` and ``translation`` (how what it delivers is read) get the values of all of them by
    name, defaults filled in; :data:`LINES` is always among them where the default
    translation is.
    """

    option: Option
    make: Callable[[Mapping[str, Any]], Source]
    options: tuple[Option, ...] = (LINES,)
    translation: Callable[[Mapping[str, Any]], Translation] = frames_or_lines
    live: bool = True
    """Whether it brings a board's own bytes, as they come."""
