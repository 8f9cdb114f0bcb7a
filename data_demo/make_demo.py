"""Write the inputs of both demo sites: python data_demo/make_demo.py [FOLDER].

Everything is invented. The same seeds give the same files; site.toml and README.md of each site are written by hand.
Besides what riskmap itself needs, nothing is imported.
"""

from __future__ import annotations

import sys
from pathlib import Path

import demo_riverside
import demo_streets

HERE = Path(__file__).parent


def main(folder: Path) -> None:
    """Write both sites below one folder."""
    demo_riverside.write(folder / "riverside")
    demo_streets.write(folder / "streets")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
