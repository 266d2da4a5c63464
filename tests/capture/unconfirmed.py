"""``sagline-logger`` on a disk that confirms nothing: ``python unconfirmed.py LOGGER ARGUMENT…``
(LOGGER, the program's place, is passed over)."""

import errno
import os
import sys

from sagline_logger.cli import main


def fails(_: int) -> None:
    raise OSError(errno.EIO, os.strerror(errno.EIO))


os.fdatasync = fails
sys.exit(main(sys.argv[2:]))
