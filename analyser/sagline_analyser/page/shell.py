"""What every page of ours stands in: one file, our style, a policy that lets nothing else in."""

import base64
import hashlib
import json
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from typing import Any

from markupsafe import Markup

from sagline_logger.format import output, titled

from ..markup import html
from .palette import palette_style


def head(title: str, *scripts: str) -> str:
    """Return a page's head: only ``scripts`` may run, and nothing is ever fetched."""
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'"
        for s in scripts
    )
    # plotly.js sets its styles at run time, hence unsafe-inline for styles only.
    policy = (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    made = html(
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
        '<meta http-equiv="Content-Security-Policy" content="{}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        "<title>{}</title>\n<style>{}</style></head>\n",
        Markup(policy),
        title,
        Markup(palette_style() + resource("report.css")),
    )
    return str(made)


def write_parts(path: Path, parts: Iterable[str], ending: str) -> int:
    """Write a page whose title ends so, piece by piece, and return its size in bytes.

    Raises:
        SaglineError: it cannot be written, or another file than such a page is there.
    """
    with output(path, titled(ending)) as file:
        # A file name that is no UTF-8 is shown with its odd bytes written out.
        return sum(file.write(part.encode(errors="backslashreplace")) for part in parts)


def data_block(ident: str, value: Any) -> str:
    """Return ``value`` as JSON in a script element of a kind that no browser runs."""
    # JSON that cannot end the element it stands in.
    text = json.dumps(value, separators=(",", ":"), allow_nan=False)
    text = text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
    return f'<script type="application/json" id="{ident}">{text}</script>\n'


def resource(name: str, package: str = __package__) -> str:
    """Return the text of a file that lies beside the modules of ``package``."""
    return files(package).joinpath(name).read_text(encoding="utf-8")


def plotly_source() -> str:
    """Return plotly.js, which the Python package carries."""
    from plotly.offline import get_plotlyjs

    return str(get_plotlyjs())
