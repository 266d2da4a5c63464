"""``python -m sagline_logger``."""

import sys

from .cli import main

sys.exit(main())
