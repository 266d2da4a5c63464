"""The demo's page and a browser to look at it in."""

from pathlib import Path

import pytest

from sagline_analyser.load import load_ride
from sagline_analyser.page.document import write_page
from sagline_logger.format import load_board_file
from sagline_logger.simulator import BREAD_RUN
from support.doc_rides import BOARD, ride_log
from support.kept import kept


@pytest.fixture(scope="session")
def demo_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of the demo's ride, the whole of it on a machine of any speed.

    The demo itself captures as much of it as arrives in some forty seconds.
    """
    page = tmp_path_factory.mktemp("demo") / "kestrel.html"

    def make() -> bytes:
        log = page.with_suffix(".sagline")
        log.write_bytes(ride_log(BREAD_RUN, seconds=745, course=True))
        write_page(load_ride(log), page, load_board_file(BOARD)[0])
        return page.read_bytes()

    page.write_bytes(kept("page of the demo", make))
    return page
