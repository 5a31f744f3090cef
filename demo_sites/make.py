"""Write the demo sites from their stated truths: ``python demo_sites/make.py [FOLDER]``.

Each site is invented. The same command writes the same files every time.
"""

from __future__ import annotations

import sys
from pathlib import Path

from scenarios.cottages.site import build as three_cottages
from scenarios.estate.site import build as estate
from scenarios.school.site import build as old_school
from scenarios.semi.site import build as semi_on_a_slope

SITES = (semi_on_a_slope, three_cottages, old_school, estate)


def main(out: Path) -> None:
    """Write every site into a folder of its own."""
    for build in SITES:
        print(f"{build(out)}: written")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
