"""Standard channel names, read from ``protocol_docs/vocabulary.toml``, their one source."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Term:
    """One standard channel name: canonical unit, what its index counts, where it is drawn."""

    name: str
    unit: str
    index: str
    group: str
    text: str
    sign: str = ""
    limit_of: str = ""
    """The standard channel that this one limits; empty where it limits none."""

    @property
    def per_motor(self) -> bool:
        """Whether a board with two motors measures two of it."""
        return self.index == "motor" and not self.limit_of


@cache
def vocabulary() -> dict[str, Term]:
    """Return the standard channel names by name."""
    import tomllib  # a start that only shows help does without

    packed = Path(__file__).with_name("vocabulary.toml")
    if not packed.is_file():  # a checkout: the file is where the specification keeps it
        packed = Path(__file__).parents[3] / "protocol_docs" / "vocabulary.toml"
    with packed.open("rb") as file:
        entries = tomllib.load(file)["channels"]
    return {name: Term(name, **fields) for name, fields in entries.items()}
