"""``python -m riskmap``."""

from __future__ import annotations

import sys

from riskmap.cli import main

if __name__ == "__main__":
    sys.exit(main())
