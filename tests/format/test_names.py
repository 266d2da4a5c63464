"""What the format says it has is there when it is asked for: names are found one by one."""

import sagline_logger.format as have


def test_every_name_promised_is_found() -> None:
    missing = [name for name in have.__all__ if not hasattr(have, name)]
    assert len(have.__all__) > 50 and missing == []
