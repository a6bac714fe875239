"""Run ``python -m tests.benchmarks.kills [--kills 300] [--seed 1] [--benches 2]``.

Each bench is a virtual bench in a process of its own, on which programs visit units and are killed with SIGKILL at
random moments, one in ten of them while they start. Each start is a whole one, as a person makes it.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from tests.benchmarks.kills.bench import served_place
from tests.benchmarks.kills.trials import Result, Series

if TYPE_CHECKING:
    from collections.abc import Sequence

LIMIT_S = 1.0


def one_bench(kills: int, seed: int) -> Result:
    """So many kills on one bench."""
    with tempfile.TemporaryDirectory() as folder, served_place(Path(folder), seed) as place:
        return Series(place, seed).run(kills)


def share_below(ordered: list[float], share: float) -> float:
    """The value below which this share of the values lies."""
    return ordered[min(int(share * len(ordered)), len(ordered) - 1)]


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the figure; exit code 1 when it is not reached."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--benches", type=int, default=2)
    options = parser.parse_args(arguments)
    began_s = time.monotonic()
    shares = [
        options.kills // options.benches + (place < options.kills % options.benches) for place in range(options.benches)
    ]
    with ThreadPoolExecutor(options.benches) as pool:
        results = list(pool.map(one_bench, shares, range(options.seed, options.seed + options.benches)))
    kills, left_on = sum(each.kills for each in results), sum(each.left_on for each in results)
    resumed, closed = sum(each.resumed for each in results), sum(each.closed for each in results)
    finished = sum(each.finished for each in results)
    after = sum(each.finished_after_a_kill for each in results)
    safe_s = sorted(each for result in results for each in result.safe_after_s)
    faults = [each for result in results for each in result.faults]
    wrong = [each for result in results for each in result.wrong]
    print(f"{kills} kills; the source was left on by {left_on} of them")
    print(f"starts on an interrupted visit that went on: {resumed}; visits closed with a reason: {closed}")
    print(f"visits that came to a verdict: {finished}, {after} of them after a kill; wrong statements: {len(wrong)}")
    rows, points = sum(each.rows for each in results), sum(each.points for each in results)
    print(f"seen committed from outside: {rows} rows, {points} points among them; faults found: {len(faults)}")
    if safe_s:
        print(
            f"from start to safe: {len(safe_s)} times, median {share_below(safe_s, 0.5):.2f} s, "
            f"90 % below {share_below(safe_s, 0.9):.2f} s, 99 % below {share_below(safe_s, 0.99):.2f} s, "
            f"longest {safe_s[-1]:.2f} s"
        )
    for each in [*faults, *wrong]:
        print(f"  {each}")
    reached = not faults and not wrong and (not safe_s or safe_s[-1] <= LIMIT_S)
    print(f"{time.monotonic() - began_s:.0f} s; {'reached' if reached else 'NOT reached'}")
    return 0 if reached else 1


if __name__ == "__main__":
    sys.exit(main())
