"""The shared page: one file for any phone, made from the redacted window alone."""

import base64
import zlib
from collections.abc import Iterable, Iterator
from functools import cache

from sagline_logger.format import CAUTION, derive_limits, wrap_in_page

from ..findings.answer import Urgency
from ..findings.certainty import TOLD, Likelihood
from ..findings.crossings import find_crossings
from ..findings.picture import Steps
from ..page.card_picture import draw as draw_card
from ..page.cards import card
from ..page.document import page_script, trace_data
from ..page.shell import data_block, fill, head, plotly_source, resource
from ..page.tables import escape
from . import words
from .keep import KEEP
from .moment_table import INSTANTS, Row, moment_rows
from .picture import draw
from .shared import Shared
from .svg import as_svg


def page_parts(share: Shared) -> Iterator[str]:
    """Yield the page piece by piece: words and picture first, then what draws the traces, then the
    samples and the log."""
    limits = derive_limits(share.board) if share.board else ()
    crossings = find_crossings(share.trusted, limits)
    spec, blocks = trace_data(share.ride, share.board, limits, crossings, share.at)
    starter = resource("share.js", __package__)
    plotly, script = plotly_source(), page_script()
    style = f"<style>{resource('share.css', __package__)}</style></head>"
    yield head(f"{words.title(share)} – shared window", starter, plotly, script).replace(
        "</head>", style
    )
    yield from fill(resource("share.template", __package__), _parts(share))
    yield data_block("spec", spec)
    yield f"<script>{starter}</script>\n"
    yield _packed("draw", script)
    yield from blocks
    yield _packed("plotly", plotly)
    yield wrap_in_page(share.packed)
    yield '<i id="end"></i></body></html>\n'


@cache  # the same for every window that is tried for size
def _packed(ident: str, text: str) -> str:
    packed = base64.b64encode(zlib.compress(text.encode(), 9)).decode()
    return f'<script type="text/plain" id="{ident}">{packed}</script>\n'


def _parts(share: Shared) -> dict[str, str]:
    ride, at = share.ride, share.at
    facts = [f"{words.since(-at)} to {words.since(ride.duration - at)} around the moment"]
    facts += [text for text in (ride.board_name, ride.firmware, ride.source) if text]
    rows, cells = moment_rows(ride, at)
    each = f"<details><summary>Each cell</summary>{_values(cells)}</details>" if cells else ""
    chosen = sorted(share.account.keep)
    asked = "; ".join(KEEP[name] for name in chosen)
    note = ride.note.removeprefix(f"Kept on request: {', '.join(chosen)}.").strip()
    return {
        "title": escape(words.title(share)),
        "facts": escape(" · ".join(facts)),
        "kept_note": (f"<p class=asked>Kept on request: {escape(asked)}.</p>" if asked else "")
        + (f"<p class=note tabindex=0>{escape(note)}</p>" if note else ""),
        "told": escape(words.told(share)),
        "picture": as_svg(draw(share)),
        "card": _card(share) + f"<p class=caution>{escape(CAUTION)}</p>",
        "values": _values(rows) + each,
        "text": escape(words.summary(share)),
        "limits": _limits(share),
        "settings": _items([f"{k} = {v}" for k, v in ride.settings.items()])
        or "<p>None in this file.</p>",
        "quality": _items(words.quality(share)),
        "contents": "<h3>Kept</h3>"
        + _items(share.account.kept_lines())
        + "<h3>Left out</h3>"
        + (_items(share.account.left_lines()) or "<p>Nothing.</p>")
        + "<p>Times count from the moment. The samples of the window, just as the board sent them, "
        "are inside this file: give the file to <code>sagline-analyser plot</code>, or to any of "
        "its commands that takes a log.</p>",
    }


def _items(lines: Iterable[str], kind: str = "ul") -> str:
    found = "".join(f"<li>{escape(line)}" for line in lines)
    return f"<{kind}>{found}</{kind.split()[0]}>" if found else ""


def _card(share: Shared) -> str:
    """Return what came first as a card: its moments as a picture, every step and cause behind."""
    early = [step for step in share.story.crossed if step.kind != "event" or step.time != share.at]
    moments = [
        (s.time - share.at, f"{s.name} {s.crossed.partition(' (')[0]}".strip()) for s in early[:5]
    ]
    picture = draw_card(Steps(tuple(sorted([*moments, (0.0, share.moment.text)]))))
    likely = next((c.name for c in share.story.causes if c.likelihood == Likelihood.LIKELY), "")
    line = f"Likely: {likely.partition(':')[0]}" if likely else "What left its bounds, in order"
    told = card(Urgency.ACT, "fault", line, picture, _causes(share))
    return f"<div class='cards verdicts'>{told}</div>{_steps(share)}"


def _steps(share: Shared) -> str:
    early, late = words.steps(share)
    told = _items(early, "ol") or "<p>Nothing left its bounds up to the moment.</p>"
    if late:
        later = _items(late, f'ol start="{len(early) + 1}"')
        told += f"<details><summary>What followed ({len(late)})</summary>{later}</details>"
    return told


def _causes(share: Shared) -> str:
    likely = [c for c in share.story.causes if c.likelihood in TOLD]
    if not likely:
        return ""
    body = "".join(
        f"<li><b>{escape(cause.name)}</b> ({cause.likelihood}): "
        f"{escape('; '.join(cause.evidence_for))}. {escape(cause.check)}"
        for cause in likely
    )
    return f"<h3>What may have caused it</h3><ul>{body}</ul>"


def _values(rows: list[Row]) -> str:
    marks = ["<td class='n at'>" if instant == 0 else "<td class=n>" for instant in INSTANTS]
    titles = "".join(
        mark.replace("td", "th") + words.since(instant)
        for mark, instant in zip(marks, INSTANTS, strict=True)
    )
    body = "".join(
        f"<tr><th scope=row>{escape(row.title)}"
        + "".join(m + escape(text) for m, text in zip(marks, row.numbers(), strict=True))
        for row in rows
    )
    return (
        "<div class=wide tabindex=0>"
        f"<table><thead><tr><th>Channel{titles}<tbody>{body}</table></div>"
    )


def _limits(share: Shared) -> str:
    rows = "".join(
        f"<tr><th scope=row>{escape(what)}<td>{escape(why)}" for what, why in words.limits(share)
    )
    if not rows:
        return "<p>No board file, so no limits.</p>"
    return f"<div class=wide tabindex=0><table><tbody>{rows}</table></div>"
