"""``python -m sagline_analyser``."""

import sys

from .start import main

sys.exit(main())
