"""How long judging a year's production again takes, reading it included.

``python -m tests.benchmarks.rejudge_speed [--sweeps N] [--file FILE] [--keep]``: makes a database with so many judged
visits (each with its last sweep of 17 points and four returns, and its findings) and judges all of them again.
"""

from __future__ import annotations

import argparse
import os
import time
from pathlib import Path

from db.asking import open_for_asking
from db.location import Location
from rig.limits_file import UNCHANGED, OtherLimits, SomeLimits
from rig.production_parts import read_in_parts
from rig.rejudge import rejudge
from rig.yield_curve import yield_curves


def main() -> None:
    """Load, judge, print."""
    # other processes import this module again: what makes the file is no part of the command that is timed
    from tests.benchmarks.many_visits import batch_code, load

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sweeps", type=int, default=100_000)
    parser.add_argument("--file", type=Path, default=Path("rejudge.sqlite"))
    parser.add_argument("--keep", action="store_true", help="keep the file, and use it when it is there already")
    given = parser.parse_args()
    if not given.file.exists():
        load(given.file, given.sweeps)
    with open_for_asking(Location(f"sqlite:///{given.file}", "this script", None)) as database:
        began, began_cpu = time.perf_counter(), time.process_time()
        codes = tuple(batch_code(block) for block in range(given.sweeps // 200 + 1))
        production = read_in_parts(database, codes, UNCHANGED, "")
        read, read_cpu = time.perf_counter(), time.process_time()
        found = rejudge(production, OtherLimits(SomeLimits(scale_error_cents_per_octave=0.1), None))
        judged, judged_cpu = time.perf_counter(), time.process_time()
        same = rejudge(production, UNCHANGED)
        curve_began = time.perf_counter()
        curves = yield_curves(production, UNCHANGED, {})
        curve_s = time.perf_counter() - curve_began
    print(
        f"{found.sweeps} sweeps of {found.visits} visits: read and fitted in {read - began:.2f} s (this process "
        f"{read_cpu - began_cpu:.2f} s), judged in {judged - read:.2f} s ({judged_cpu - read_cpu:.2f} s): "
        f"{judged - began:.2f} s in all (wanted under 10); machine load {os.getloadavg()[0]:.1f}"
    )
    print(f"under their own limits: {len(same.differences)} differences; {len(curves)} curves in {curve_s:.2f} s")
    if not given.keep:
        given.file.unlink()


if __name__ == "__main__":
    main()
