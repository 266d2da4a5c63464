"""What the format says it has is there when it is asked for: names are found one by one."""

import pytest

import sagline_logger.format as have


def test_every_name_promised_is_found() -> None:
    missing = [name for name in have.__all__ if not hasattr(have, name)]
    assert len(have.__all__) > 50 and missing == []


def test_the_names_are_listed_and_any_other_is_none() -> None:
    assert set(have.__all__) <= set(dir(have)) and dir(have) == sorted(dir(have))
    with pytest.raises(AttributeError) as problem:
        _ = have.nothing
    assert str(problem.value) == "module 'sagline_logger.format' has no attribute 'nothing'"
