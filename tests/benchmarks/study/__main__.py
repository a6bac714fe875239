"""Figure: manual chasing against the rig.

Run ``python -m tests.benchmarks.study`` for 2,000 units (100 batches of 20), or with ``--short`` for 100. The batches
are drawn from the demonstration's population, with pivots below, inside and above the played range; the same seed gives
the same figures.
"""

from __future__ import annotations

import argparse
import os
import resource
import time
from multiprocessing import get_context

from rig.cli import THREADS_OF_ALGEBRA
from tests.benchmarks.study.report import report
from tests.benchmarks.study.trials import BatchTask, Trial, run_batch

SENSITIVITY_SHARE = 0.1
"""Part of the batches that are adjusted by lenient hands as well."""


def run_study(tasks: list[BatchTask], processes: int) -> list[Trial]:
    """All batches, in as many processes as asked for."""
    if processes <= 1:
        return [trial for task in tasks for trial in run_batch(task)]
    with get_context("spawn").Pool(processes) as pool:
        trials = [trial for trials in pool.imap(run_batch, tasks) for trial in trials]
        pool.close()
        pool.join()  # only then is their processor time known
    return trials


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
    os.environ.update(dict.fromkeys(THREADS_OF_ALGEBRA, "1"))
    began = time.monotonic()
    both_ways = max(1, round(SENSITIVITY_SHARE * batches))
    tasks = [
        BatchTask(chosen.seed, batch, units, lenient_as_well=batch <= both_ways) for batch in range(1, batches + 1)
    ]
    print(report(run_study(tasks, chosen.processes)))
    print(
        f"{batches * units} units, seed {chosen.seed}: {(time.monotonic() - began) / 60.0:.1f} minutes, "
        f"{_cpu_s() / 60.0:.1f} of them a processor's"
    )


def _cpu_s() -> float:
    """Processor time of this program and the processes that it has ended, s."""
    return sum(
        spent.ru_utime + spent.ru_stime
        for spent in (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    )


if __name__ == "__main__":
    main()
