"""Words for degrees of certainty against the published scale, and that no answer has its own."""

import re
from pathlib import Path

import pytest

import sagline_analyser
from sagline_analyser.findings.telling.certainty import SCALE, Likelihood, cannot_tell, word


@pytest.mark.parametrize(
    ("probability", "says"),
    [
        (1.0, "very likely"),
        (0.91, "very likely"),
        (0.67, "likely"),
        (0.5, "possible"),
        (0.34, "possible"),
        (0.32, "unlikely"),
        (0.05, "very unlikely"),
        (0.0, "very unlikely"),
        (None, "cannot be judged"),
    ],
)
def test_words_are_those_of_the_calibrated_scale(probability: float | None, says: str) -> None:
    """IPCC guidance note, 2010, table 1 (from memory): very likely 90 to 100 %, likely 66 to 100 %,
    about as likely as not 33 to 66 %, unlikely 0 to 33 %, very unlikely 0 to 10 %."""
    assert word(probability) == says


def test_the_scale_falls_and_takes_no_other_number() -> None:
    assert [least for least, _ in SCALE] == sorted((x for x, _ in SCALE), reverse=True)
    assert set(Likelihood) == {name for _, name in SCALE} | {Likelihood.UNJUDGED}
    for wrong in (-0.01, 1.01, float("nan")):
        with pytest.raises(ValueError, match="no probability"):
            word(wrong)
    assert cannot_tell("it needs a speed.") == "Cannot tell: it needs a speed."


def test_likelihoods_are_spelled_in_one_module_only() -> None:
    here = Path(sagline_analyser.__file__).parent
    for path in here.rglob("*.py"):
        if path.name != "certainty.py":
            said = re.findall(
                r'"(very likely|likely|possible|unlikely|cannot be judged)"',
                path.read_text("utf-8"),
            )
            assert not said, f"{path.name} has its own {said}"
