"""The shared page: one file for any phone, made from the redacted window alone."""

import base64
import zlib
from collections.abc import Iterator
from functools import cache

from markupsafe import Markup

from sagline_logger.format import CAUTION, wrap_in_page

from ..findings.limits.crossings import find_crossings
from ..findings.readings.gathered import Gathered
from ..findings.telling.answer import Urgency
from ..findings.telling.certainty import TOLD, Likelihood
from ..findings.telling.picture import Steps
from ..page.card_picture import draw as draw_card
from ..page.cards import card
from ..page.document import page_script, trace_data
from ..page.shell import data_block, head, resource
from ..page.strip import strip
from ..page.templates import page, part
from . import words
from .keep import KEEP
from .moment_table import INSTANTS, MomentRow, moment_rows
from .picture import draw
from .shared import Shared
from .svg import as_svg

_OURS = "share/parts.jinja"


def page_parts(share: Shared) -> Iterator[str]:
    """Yield the page piece by piece: words and picture first, then what draws the traces, then the
    samples and the log."""
    basis = Gathered(share.trusted, share.board)
    limits = basis.limits
    crossings = find_crossings(basis.ride, limits)
    spec, blocks = trace_data(share.ride, share.board, limits, crossings, strip(basis), share.at)
    starter = resource("share.js", __package__)
    script = page_script()
    style = f"<style>{resource('share.css', __package__)}</style></head>"
    yield head(f"{words.title(share)} – shared window", starter, script).replace("</head>", style)
    yield from page("share/share.jinja", **_parts(share))
    yield data_block("spec", spec)
    yield f"<script>{starter}</script>\n"
    yield _packed("draw", script)
    yield from blocks
    yield wrap_in_page(share.packed)
    yield '<i id="end"></i></body></html>\n'


@cache  # the same for every window that is tried for size
def _packed(ident: str, text: str) -> str:
    packed = base64.b64encode(zlib.compress(text.encode(), 9)).decode()
    return f'<script type="text/plain" id="{ident}">{packed}</script>\n'


def _parts(share: Shared) -> dict[str, object]:
    ride, at = share.ride, share.at
    facts = [f"{words.since(-at)} to {words.since(ride.duration - at)} around the moment"]
    facts += [text for text in (ride.board_name, ride.firmware, ride.source) if text]
    rows, cells = moment_rows(ride, at)
    chosen = sorted(share.account.keep)
    return {
        "title": words.title(share),
        "facts": " · ".join(facts),
        "asked": "; ".join(KEEP[name] for name in chosen),
        "note": ride.note.removeprefix(f"Kept on request: {', '.join(chosen)}.").strip(),
        "told": words.told(share),
        "picture": as_svg(draw(share)),
        "card": _card(share),
        "steps": words.steps(share),
        "caution": CAUTION,
        "values": _values(rows),
        "cells": _values(cells) if cells else "",
        "text": words.summary(share),
        "limits": words.limits(share),
        "settings": ride.settings,
        "quality": words.quality(share),
        "kept": share.account.kept_lines(),
        "left": share.account.left_lines(),
    }


def _card(share: Shared) -> Markup:
    """Return what came first as a card: its moments as a picture, every step and cause behind."""
    early = [step for step in share.story.crossed if step.kind != "event" or step.time != share.at]
    moments = [
        (s.time - share.at, f"{s.name} {s.crossed.partition(' (')[0]}".strip()) for s in early[:5]
    ]
    picture = draw_card(Steps(tuple(sorted([*moments, (0.0, share.moment.text)]))))
    likely = next((c.name for c in share.story.causes if c.likelihood == Likelihood.LIKELY), "")
    line = f"Likely: {likely.partition(':')[0]}" if likely else "What left its bounds, in order"
    causes = [cause for cause in share.story.causes if cause.likelihood in TOLD]
    return card(Urgency.ACT, "fault", line, picture, part(_OURS, "causes", causes))


def _values(rows: list[MomentRow]) -> Markup:
    titles = [(words.since(instant), instant == 0) for instant in INSTANTS]
    marks = [moment for _, moment in titles]
    told = [(row.title, list(zip(row.numbers(), marks, strict=True))) for row in rows]
    return part(_OURS, "values", titles, told)
