"""Figure: manual chasing against the rig.

Run ``python -m tests.benchmarks.study`` for 2,000 units (100 batches of 20), or with ``--short`` for 100. The batches
are drawn from the demonstration's population, with pivots below, inside and above the played range; the same seed gives
the same figures.
"""

from __future__ import annotations

import argparse
import os
import time
from multiprocessing import get_context

from tests.benchmarks.study.report import report
from tests.benchmarks.study.trials import BatchTask, Trial, run_batch

ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
"""Matrices are small here and every core has a batch of its own."""


def run_study(tasks: list[BatchTask], processes: int) -> list[Trial]:
    """All batches, in as many processes as asked for."""
    if processes <= 1:
        return [trial for task in tasks for trial in run_batch(task)]
    with get_context("spawn").Pool(processes) as pool:
        return [trial for trials in pool.imap(run_batch, tasks) for trial in trials]


def main() -> None:
    """Run the study and print its figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.study", description=__doc__)
    parser.add_argument("--batches", type=int, default=100)
    parser.add_argument("--units", type=int, default=20, help="units a batch")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--short", action="store_true", help="10 batches of 10 units")
    chosen = parser.parse_args()
    batches, units = (10, 10) if chosen.short else (chosen.batches, chosen.units)
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    began = time.monotonic()
    tasks = [BatchTask(chosen.seed, batch, units) for batch in range(1, batches + 1)]
    print(report(run_study(tasks, chosen.processes)))
    print(f"{batches * units} units, seed {chosen.seed}: {(time.monotonic() - began) / 60.0:.1f} minutes")


if __name__ == "__main__":
    main()
