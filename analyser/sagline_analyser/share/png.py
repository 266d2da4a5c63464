"""A picture as PNG, drawn by Pillow at twice the size and shrunk, so that lines are smooth."""

from collections.abc import Iterator
from importlib.util import find_spec
from math import hypot
from typing import IO, TYPE_CHECKING

from sagline_logger.format import SaglineError

from .picture import Picture, Stroke, Text

if TYPE_CHECKING:
    from PIL import ImageDraw

_TWICE = 2
_PLAIN = str.maketrans(
    {
        "−": "-",
        "–": "-",
        "×": "x",
        "·": "-",
        "Ω": "ohm",
        "\u202f": " ",
        "²": "2",
        "→": ">",
        "…": "...",
    }
)
"""What the font inside Pillow lacks; it is the only one that every system has."""


def write_png(picture: Picture, file: IO[bytes]) -> None:
    """Write ``picture`` to ``file`` without any metadata.

    Raises:
        SaglineError: Pillow is not installed.
        OSError: the file cannot be written.
    """
    if find_spec("PIL") is None:
        raise SaglineError(
            "a PNG picture needs Pillow, which is not installed",
            remedy='install it with: pip install "sagline[analyser,picture]", or name it .svg',
        )
    from PIL import Image, ImageDraw

    size = (picture.width, picture.height)
    image = Image.new("RGB", (_TWICE * size[0], _TWICE * size[1]), "#fff")
    pen = ImageDraw.Draw(image)
    for shape in picture.shapes:
        if isinstance(shape, Stroke):
            for run in _dashes(shape):
                points = [(_TWICE * x, _TWICE * y) for x, y in run]
                pen.line(
                    points, fill=shape.colour, width=round(_TWICE * shape.width), joint="curve"
                )
        else:
            _write(pen, shape)
    shrunk = image.resize(size, Image.Resampling.LANCZOS)
    shrunk.quantize(128).save(file, "PNG", optimize=True)


def _write(pen: "ImageDraw.ImageDraw", shape: Text) -> None:
    from PIL import ImageFont

    text = shape.text.translate(_PLAIN)
    text = "".join(c if c.isprintable() and (c.isascii() or c in "°µäöüéèà") else "?" for c in text)
    anchor = {"start": "ls", "middle": "ms", "end": "rs"}[shape.anchor]
    pen.text(
        (_TWICE * shape.x, _TWICE * shape.y),
        text,
        fill=shape.colour,
        anchor=anchor,
        font=ImageFont.load_default(_TWICE * shape.size),
        stroke_width=1 if shape.bold else 0,
    )


def _dashes(line: Stroke) -> Iterator[list[tuple[float, float]]]:
    """Yield the drawn pieces of a line."""
    if not line.dash:
        yield list(line.points)
        return
    part, left = 0, float(line.dash[0])
    run = [line.points[0]]
    for (ax, ay), (bx, by) in zip(line.points, line.points[1:], strict=False):
        length, done = hypot(bx - ax, by - ay), 0.0
        while length - done > left:
            done += left
            point = (ax + (bx - ax) * done / length, ay + (by - ay) * done / length)
            if part % 2 == 0:
                yield [*run, point]
            run, part = [point], part + 1
            left = float(line.dash[part % len(line.dash)])
        left -= length - done
        run.append((bx, by))
    if part % 2 == 0 and len(run) > 1:
        yield run
