"""Which source to capture from: the register of all kinds.

A kind of source is a module beside this one with a class that satisfies :class:`~.source.Source`
and a :class:`~.source_kind.SourceKind` that offers it, and its line in ``KINDS``.  Such a module is
light to import: what its links need (pyserial, bleak) it imports when a link is made.
"""

import argparse
from collections.abc import Sequence
from typing import Any

from ..format import UsageError
from . import ble_source, can_source, replay_source, serial_source, tcp_source
from .source import Option, Source
from .source_kind import SourceKind
from .translator import Translation

KINDS: tuple[SourceKind, ...] = (
    serial_source.KIND,
    ble_source.KIND,
    tcp_source.KIND,
    can_source.KIND,
    replay_source.KIND,
)


LIVE = tuple(kind for kind in KINDS if kind.live)
"""Those that bring a board's own bytes as they come."""


def add_source_arguments(
    parser: argparse.ArgumentParser, kinds: Sequence[SourceKind] = KINDS
) -> None:
    """Add the options that name a source, and those that go with one."""
    where = parser.add_mutually_exclusive_group(required=True)
    for kind in kinds:
        _add(where, kind.option, kind.option.help)
    takers: dict[str, list[str]] = {}
    options: dict[str, Option] = {}
    for kind in kinds:
        for option in kind.options:
            options.setdefault(option.flag, option)
            takers.setdefault(option.flag, []).append(kind.option.flag)
    for flag, option in options.items():
        _add(parser, option, f"with {' or '.join(takers[flag])}: {option.help}")


def choose_source(
    arguments: argparse.Namespace, kinds: Sequence[SourceKind] = KINDS
) -> tuple[Source, Translation]:
    """Return the source that the options name, and how what it delivers is read.

    Raises:
        SaglineError: an option was given that does not go with this source, or a map is wrong.
    """
    kind = next(kind for kind in kinds if _given(arguments, kind.option) is not None)
    own = {option.flag for option in kind.options}
    for other in kinds:
        for option in other.options:
            if option.flag not in own and _given(arguments, option) is not None:
                raise UsageError(
                    f"does not go with {kind.option.flag}",
                    where=option.flag,
                    remedy=f"leave it out; it belongs to {other.option.flag}",
                )
    values: dict[str, Any] = {}
    for option in (kind.option, *kind.options):
        given = _given(arguments, option)
        values[option.name] = option.default if given is None else given
    return kind.make(values), kind.translation(values)


def source_name(arguments: argparse.Namespace) -> str:
    """Return what the source's option was given."""
    given = next(one for kind in KINDS if (one := _given(arguments, kind.option)) is not None)
    return "-".join(map(str, given)) if isinstance(given, tuple) else str(given)


def _add(group: argparse._ActionsContainer, option: Option, text: str) -> None:
    if option.default is not None:
        text += f" (default {option.default})"
    if option.metavar:
        group.add_argument(option.flag, metavar=option.metavar, type=option.type, help=text)
    else:
        group.add_argument(option.flag, action="store_const", const=True, help=text)


def _given(arguments: argparse.Namespace, option: Option) -> Any:
    return getattr(arguments, option.name, None)
