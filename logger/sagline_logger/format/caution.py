"""The caution that stands wherever a limit or advice is shown."""

CAUTION = (
    "Caution: these figures follow from what was measured and from what the board file says. They "
    "do not replace a part's data sheet, local rules or a qualified person. Wear protection, and "
    "do not read a screen while riding."
)
