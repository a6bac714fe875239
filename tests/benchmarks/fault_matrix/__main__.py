"""Run ``python -m tests.benchmarks.fault_matrix [--share 1.0] [--seed 1] [--fault leakage] [--rounds 1]
[--processes 2]``.

Every fault that the virtual bench can have, at the first, the middle and the last message of every stage of a visit,
for one message, for twenty-five and for good; and faults of computer and record. In each cell: no wrong verdict by the
truth of the virtual unit, no committed point lost, the source safe in truth, and one sentence told. A visit that was
left open goes on after the fault is mended, and must come to a right verdict.
"""

from __future__ import annotations

import argparse
import random
import time
from collections import Counter
from functools import partial
from multiprocessing import get_context

from tests.benchmarks.fault_matrix.plan import Cell, cells_of
from tests.benchmarks.fault_matrix.run import Result, Setting, run_cell, undisturbed

TOLD_EVERY = 100
"""Cells after which a line says how far it is."""


def in_rounds(cells: list[Cell]) -> list[list[Cell]]:
    """The cells in rounds: each has every fault of every role at every moment of every stage once, where it is left.

    How long the fault lasts, and how large it is, goes round from cell to cell, so that the first round has all of it.
    """
    of_one_moment: dict[tuple[str, str, str, str], list[Cell]] = {}
    for cell in cells:
        of_one_moment.setdefault((cell.stage, cell.moment, cell.role, cell.kind), []).append(cell)
    rounds: list[list[Cell]] = []
    for first, variants in enumerate(of_one_moment.values()):
        for place in range(len(variants)):
            if place == len(rounds):
                rounds.append([])
            rounds[place].append(variants[(first + place) % len(variants)])
    return rounds


def sampled(cells: list[Cell], share: float, seed: int) -> list[Cell]:
    """A share of the cells, drawn by a seed; every cell for 1."""
    count = max(1, round(share * len(cells)))
    return cells if count >= len(cells) else random.Random(seed).sample(cells, count)


def report(results: list[Result]) -> str:
    """Counts by outcome and every violation."""
    outcomes = Counter(each.outcome for each in results)
    told = sum(bool(each.told) for each in results)
    bad = [each for each in results if each.violations]
    silent = Counter(each.cell.kind for each in results if not each.told)
    lines = [f"{len(results)} cells, {len({each.cell.stage for each in results})} stages"]
    lines += [f"  {count:5} {outcome}" for outcome, count in outcomes.most_common()]
    lines.append(f"  {told} with a sentence told; without: {dict(silent.most_common())}")
    lines.append(f"{len(bad)} cells with a violation")
    for each in bad:
        lines.append(f"  {each.cell}\n      {each.outcome}; told: {each.told}")
        lines += [f"      ! {violation}" for violation in each.violations]
    return "\n".join(lines)


def main() -> None:
    """Run the figure and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--share", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--fault", default="")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--only", default="", help="Text that the name of a cell has.")
    parser.add_argument("--rounds", type=int, help="1 has every fault at every moment once; left out: all there are")
    chosen = parser.parse_args()
    setting = Setting(chosen.seed, chosen.fault)
    cells = [cell for cell in cells_of(list(undisturbed(setting).spans)) if chosen.only in str(cell)]
    rounds = in_rounds(sampled(cells, chosen.share, chosen.seed))
    cells = [cell for each in rounds[: chosen.rounds] for cell in each]
    print(f"{len(cells)} cells; in rounds: {', '.join(str(len(each)) for each in rounds[: chosen.rounds])}", flush=True)
    began = time.perf_counter()
    one = partial(run_cell, setting=setting)
    with get_context("spawn").Pool(chosen.processes) as pool:
        results = []
        for result in pool.imap_unordered(one, cells):
            results.append(result)
            if result.violations:
                print(result.cell, result.outcome, result.told, *result.violations, sep="\n    ", flush=True)
            if len(results) % TOLD_EVERY == 0:
                print(f"{len(results)} of {len(cells)} cells, {time.perf_counter() - began:.0f} s", flush=True)
    print(report(results))
    print(f"seed {chosen.seed} {chosen.fault or 'a sound unit'}; {time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
