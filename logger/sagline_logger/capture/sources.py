"""Which source to capture from: the register of all kinds.

A kind of source is a module beside this one with a class that satisfies :class:`~.source.Source`
and a :class:`~.source.SourceKind` that offers it, and its line in ``KINDS``.  Such a module is
light to import: what its links need (pyserial, bleak) it imports when a link is made.
"""

import argparse
from typing import Any

from ..format import SaglineError
from . import ble_source, replay_source, serial_source
from .source import Option, Source, SourceKind

KINDS: tuple[SourceKind, ...] = (serial_source.KIND, ble_source.KIND, replay_source.KIND)


def add_source_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options that name a source, and those that go with one."""
    where = parser.add_mutually_exclusive_group(required=True)
    for kind in KINDS:
        _add(where, kind.option, kind.option.help)
    takers: dict[str, list[str]] = {}
    options: dict[str, Option] = {}
    for kind in KINDS:
        for option in kind.options:
            options.setdefault(option.flag, option)
            takers.setdefault(option.flag, []).append(kind.option.flag)
    for flag, option in options.items():
        _add(parser, option, f"with {' or '.join(takers[flag])}: {option.help}")


def choose_source(arguments: argparse.Namespace) -> Source:
    """Return the source that the options name.

    Raises:
        SaglineError: an option was given that does not go with this source.
    """
    kind = next(kind for kind in KINDS if _given(arguments, kind.option) is not None)
    own = {option.flag for option in kind.options}
    for other in KINDS:
        for option in other.options:
            if option.flag not in own and _given(arguments, option) is not None:
                raise SaglineError(
                    f"does not go with {kind.option.flag}", where=option.flag,
                    remedy=f"leave it out; it belongs to {other.option.flag}",
                )  # fmt: skip
    values: dict[str, Any] = {}
    for option in (kind.option, *kind.options):
        given = _given(arguments, option)
        values[option.name] = option.default if given is None else given
    return kind.make(values)


def _add(group: argparse._ActionsContainer, option: Option, text: str) -> None:
    if option.default is not None:
        text += f" (default {option.default})"
    group.add_argument(option.flag, metavar=option.metavar, type=option.type, help=text)


def _given(arguments: argparse.Namespace, option: Option) -> Any:
    return getattr(arguments, option.name, None)
