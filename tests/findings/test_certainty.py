"""Words for degrees of certainty: no answer has its own."""

import re
from pathlib import Path

import sagline_analyser
from sagline_analyser.findings.telling.certainty import Likelihood, cannot_tell


def test_an_answer_without_one_says_what_it_needs_with_one_full_stop() -> None:
    assert cannot_tell("it needs a speed.") == "Cannot tell: it needs a speed."
    assert cannot_tell("it needs a speed") == "Cannot tell: it needs a speed."


def test_likelihoods_are_spelled_in_one_module_only() -> None:
    here = Path(sagline_analyser.__file__).parent
    words = re.compile(f'"({"|".join(Likelihood)})"')
    for path in here.rglob("*.py"):
        if path.name != "certainty.py":
            said = words.findall(path.read_text("utf-8"))
            assert not said, f"{path.name} has its own {said}"
