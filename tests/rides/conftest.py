"""A few rides, written and worked out once for the folder."""

from collections.abc import Callable
from pathlib import Path

import pytest

from sagline_analyser.rides import Library, RideFigures, figures_of, open_library
from support.ride_library import write_rides


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a directory of eight rides that no test changes; it has an index."""
    directory = tmp_path_factory.mktemp("library")
    for number in range(0, 80, 10):
        write_rides(directory, 1, number)
    return directory


@pytest.fixture(scope="session")
def known(written: Path) -> Library:
    """Return those rides, worked out by two processes."""
    return open_library(written, processes=2)


@pytest.fixture
def counted() -> tuple[Callable[[str], RideFigures], list[str]]:
    """Return the work and the list of files it was done on, for work within this process."""
    done: list[str] = []

    def work(path: str) -> RideFigures:
        done.append(Path(path).name)
        return figures_of(path)

    return work, done
