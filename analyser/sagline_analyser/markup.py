"""Short pieces of HTML that escape by themselves.

Whoever writes HTML here never has to think of a board called ``<b>``: what is not HTML already
becomes text.  Whole pages are templates that keep the same rule (``page/templates.py``).
"""

from collections.abc import Iterable
from typing import Any

from markupsafe import Markup


def html(pattern: str, *values: object) -> Markup:
    """Return ``pattern``, which is HTML, with each ``{}`` filled in as by ``str.format``.

    A value that is no HTML shows as the text that it is.
    """
    return Markup(pattern).format(*map(shown, values))


def joined(pieces: Iterable[str], between: str = "") -> Markup:
    """Return pieces one after the other; one that is no HTML shows as the text that it is."""
    return Markup(between).join(map(shown, pieces))


def shown(value: Any) -> Any:
    """Return a value as a page can show it: a NUL, which HTML drops, shows as U+FFFD."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return value.replace("\0", "\ufffd")
    return value
