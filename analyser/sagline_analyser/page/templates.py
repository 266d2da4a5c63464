"""Pages and their longer parts, from templates: what is not HTML already becomes text."""

from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from ..findings.telling.moment import moment_text
from ..markup import shown
from .units import duration_text, figure_text


def page(template: str, **values: object) -> Iterator[str]:
    """Yield a filled-in template, such as ``page/report.jinja``, piece by piece."""
    return _environment().get_template(template).generate(values)


def part(template: str, name: str, *values: object) -> Markup:
    """Return what the macro ``name`` of a template makes of ``values``."""
    made: Markup = getattr(_environment().get_template(template).module, name)(*values)
    return made


class _KeysFirst(Environment):
    """In ``row.clear`` a dictionary's own key comes before the method of that name."""

    def getattr(self, obj: Any, attribute: str) -> Any:
        if isinstance(obj, dict) and attribute in obj:
            return obj[attribute]
        return super().getattr(obj, attribute)


@cache
def _environment() -> Environment:
    # A name that is misspelt in a template is an error, not an empty place.
    found = _KeysFirst(
        loader=FunctionLoader(_source),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=shown,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    found.filters |= {
        "figure": figure_text,
        "duration": duration_text,
        "moment": moment_text,
    }
    return found


def _source(name: str) -> str:
    return (files(__package__.rpartition(".")[0]) / name).read_text(encoding="utf-8")
