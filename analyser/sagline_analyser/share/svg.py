"""A picture as SVG: text stays text, nothing is fetched, nothing runs."""

import re
from html import escape

from .picture import Line, Picture

_CONTROL = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 §2.2 allows no document to hold."""


def as_svg(picture: Picture) -> str:
    """Return one ``svg`` element."""
    size = f"{picture.width} {picture.height}"
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" role="img" '
        f'font-family="system-ui, -apple-system, Roboto, Noto Sans, DejaVu Sans, sans-serif">'
        f"<title>{_text(picture.title)}</title>"
        f'<rect width="{picture.width}" height="{picture.height}" fill="#fff"/>'
    ]
    for shape in picture.shapes:
        if isinstance(shape, Line):
            points = " ".join(f"{x:g},{y:g}" for x, y in shape.points)
            dash = f' stroke-dasharray="{" ".join(map(str, shape.dash))}"' if shape.dash else ""
            parts.append(
                f'<polyline points="{points}" fill="none" stroke="{shape.colour}" '
                f'stroke-width="{shape.width:g}" stroke-linejoin="round"{dash}/>'
            )
        else:
            weight = ' font-weight="700"' if shape.bold else ""
            parts.append(
                f'<text x="{shape.x:g}" y="{shape.y:g}" font-size="{shape.size}" '
                f'fill="{shape.colour}" text-anchor="{shape.anchor}"{weight}>'
                f"{_text(shape.text)}</text>"
            )
    return "".join(parts) + "</svg>"


def _text(text: str) -> str:
    return escape(_CONTROL.sub("\ufffd", text))
