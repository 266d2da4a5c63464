"""A picture as SVG: text stays text, nothing is fetched, nothing runs."""

import re

from markupsafe import Markup

from ..markup import html, joined
from .picture import Picture, Stroke

_CONTROL = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 §2.2 allows no document to hold."""


def as_svg(picture: Picture) -> Markup:
    """Return one ``svg`` element."""
    parts = []
    for shape in picture.shapes:
        if isinstance(shape, Stroke):
            points = " ".join(f"{x:g},{y:g}" for x, y in shape.points)
            dash = " ".join(map(str, shape.dash)) if shape.dash else ""
            parts.append(
                html(
                    '<polyline points="{}" fill="none" stroke="{}" stroke-width="{:g}" '
                    'stroke-linejoin="round"{}/>',
                    *(points, shape.colour, shape.width),
                    html(' stroke-dasharray="{}"', dash) if dash else "",
                )
            )
        else:
            weight = Markup(' font-weight="700"') if shape.bold else ""
            parts.append(
                html(
                    '<text x="{:g}" y="{:g}" font-size="{}" fill="{}" text-anchor="{}"{}>{}</text>',
                    *(shape.x, shape.y, shape.size, shape.colour, shape.anchor, weight),
                    _allowed(shape.text),
                )
            )
    return html(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {0} {1}" role="img" '
        'font-family="system-ui, -apple-system, Roboto, Noto Sans, DejaVu Sans, sans-serif">'
        '<title>{2}</title><rect width="{0}" height="{1}" fill="#fff"/>{3}</svg>',
        *(picture.width, picture.height, _allowed(picture.title), joined(parts)),
    )


def _allowed(text: str) -> str:
    return _CONTROL.sub("\ufffd", text)
