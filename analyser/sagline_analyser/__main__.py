"""``python -m sagline_analyser``."""

import sys

from .cli import main

sys.exit(main())
