"""How long a simulated house takes, part by part, and how many a minute two processes do.

Run by hand; prints, asserts nothing: python tests/benchmarks/bench_causes.py [houses]
"""

import sys
import time

from geo.scoring.run import numbers_of, score_houses
from geo.scoring.table import report_of


def main() -> None:
    """Print how long it takes with one process and with two."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    numbers = numbers_of(count, "both")
    for workers in (1, 2):
        started = time.perf_counter()
        scored = list(score_houses(numbers, seed=1, workers=workers))
        taken = time.perf_counter() - started
        parts = report_of(scored).seconds
        named = zip(("drawing", "examining", "drains and tests", "ledger"), parts, strict=True)
        print(
            f"{workers} process(es): {len(scored)} houses in {taken:.1f} s, {60 * len(scored) / taken:.0f} a minute"
        )
        print("  processor seconds a house: " + ", ".join(f"{name} {value:.3f}" for name, value in named))
        print(f"  1,000 houses: {1000 * taken / len(scored):.0f} s")


if __name__ == "__main__":
    main()
