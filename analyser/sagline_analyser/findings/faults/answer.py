"""What happened first? The stories of all faults and sudden moments of a ride as one answer."""

from ..cells.fitted import Asked
from ..telling.answer import Answer, Urgency
from ..telling.certainty import TOLD, Likelihood
from ..telling.moment import minute_text, moment_text
from ..telling.picture import Steps
from .cells import CellBelief
from .moments import fault_moments
from .order import Around, story_of
from .story import FaultStory, Kind, Step

QUESTION = "What happened first when it cut out?"

MOST = 5
"""Moments told in full; a loose plug can make hundreds."""

SHOWN_STEPS, SHOWN_CAUSES = 8, 3

METHOD = (
    "How this was told: bounds are the board file's limits and the range of nearly all readings in "
    "the minutes before. A step lies between two readings, so an order is stated only where these "
    "do not overlap. The causes are candidates ranked by our judgement of the evidence: none of "
    "them is proven by a log alone."
)


def fault_stories(asked: Asked) -> list[FaultStory]:
    """Return the stories of the ride's first sudden moments, :data:`MOST` at most.

    What is doubted of its sensors is among the causes: a signal that failed may be why a controller
    stopped, and is no more than that.
    """
    around = Around(belief=CellBelief(asked.basis, asked.packs), sensors=asked.sensors)
    return [story_of(asked.basis, at, around) for at in fault_moments(asked.basis.ride)[:MOST]]


def fault_answer(asked: Asked) -> Answer:
    """Answer what came first before every fault, cut-out, restart and lost link under way."""
    moments = fault_moments(asked.basis.ride)
    if not moments:
        return Answer(
            "fault",
            QUESTION,
            "Nothing to tell: no fault, no cut-out, no restart and no link lost under way.",
        ).in_short("No fault, no cut-out, no link lost under way", Urgency.FINE)
    stories = fault_stories(asked)
    count = len(moments)
    verdict = " ".join(story.text for story in stories[:2])
    if count > 2:
        verdict = f"{count} sudden moments. {verdict}"
    details = [line for story in stories for line in story_lines(story)]
    if count > MOST:
        details.append(f"{count - MOST} more moments are not told here.")
    spans = tuple((story.window[0], story.window[1]) for story in stories)
    answer = Answer("fault", QUESTION, verdict, (), spans, (*details, METHOD))
    return answer.in_short(*_in_short(stories, count))


def _in_short(stories: list[FaultStory], count: int) -> tuple[str, Urgency, Steps]:
    """Return the card's line, its urgency, and what came first before the first moment."""
    story = stories[0]
    at = story.moment.time
    # The report of the moment itself is told once, and a reason in brackets is in the words behind.
    early = [step for step in story.crossed if step.kind != "event" or step.time != at][:4]
    moments = [(s.time - at, _few(s)) for s in early]
    moments = sorted([*moments, (0.0, story.moment.text)])
    likely = next((c.name for c in story.causes if c.likelihood == Likelihood.LIKELY), "")
    more = f" and {count - 1} more" if count > 1 else ""
    what = likely.partition(":")[0] or _first(story)
    line = f"{_KINDS[story.moment.kind]} at {minute_text(at)}{more}: {what}"
    return line, Urgency.ACT, Steps(tuple(moments))


_KINDS: dict[Kind, str] = {
    "fault": "Fault",
    "cut-out": "Cut-out",
    "link loss": "Link lost",
    "restart": "Restart",
    "voltage collapse": "Voltage collapse",
    "chosen": "Moment",
}


def _first(story: FaultStory) -> str:
    """Return what came first before the moment itself, in the few words that a card has."""
    early = [step for step in story.first if step.time < story.moment.time and step.kind != "event"]
    if len(early) == 1:
        return f"first {_few(early[0])}"
    if early:
        return "several things at once came first"
    # A link is not lost because a current is high: there, what stood already is only listed.
    standing = [step for step in story.crossed if step.standing and step.kind == "limit"]
    if standing and story.moment.kind not in ("link loss", "restart"):
        return f"{_few(standing[-1])} since {minute_text(standing[-1].time)}"
    if story.blind:
        return "no reading just before"
    return "nothing left its bounds just before"


def _few(step: Step) -> str:
    return f"{step.name} {step.crossed.partition(' (')[0]}".strip()


def story_lines(story: FaultStory) -> list[str]:
    """Return a story as short sentences: the steps in order, what was normal, the causes."""
    lines = [f"At {moment_text(story.moment.time)}, {story.moment.text}."]
    at = story.moment.time
    lines += [f"{n}. {s.text(at)}." for n, s in enumerate(story.crossed[:SHOWN_STEPS], 1)]
    if (more := len(story.crossed) - SHOWN_STEPS) > 0:
        lines.append(f"{more} later steps are left out.")
    if story.normal:
        lines.append(f"Stayed normal: {'; '.join(one.text for one in story.normal)}.")
    weighed = [c for c in story.causes if c.likelihood in TOLD]
    for cause in weighed[:SHOWN_CAUSES] or story.causes[:1]:
        pro = "; ".join(cause.evidence_for) or "nothing"
        con = "; ".join(cause.evidence_against) or "nothing seen"
        lines.append(
            f"{cause.likelihood.capitalize()}: {cause.name}. For it: {pro}. Against it: {con}. "
            f"To check: {cause.check}."
        )
    rest = [cause.name for cause in story.causes if cause.likelihood == Likelihood.UNLIKELY]
    if rest:
        lines.append(f"Little speaks for: {'; '.join(rest)}.")
    lines += [f"Not known: {one.reason}." for one in story.unknown]
    return lines
