"""``python -m sagline_logger``."""

import sys

from .start import main

sys.exit(main())
