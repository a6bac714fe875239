"""How fast rows are written out, and how much memory that takes, for a database of many visits.

``python -m tests.benchmarks.export_memory --visits 20000`` fills a database in a temporary folder by a fast loader
(two sweeps of 17 points a visit) and writes visits and points in every form.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import insert

from db.engine import Database, open_database
from db.exports import Choice
from db.models import Point, Sweep, Unit, Verdict, Visit, new_key
from db.queries import get_or_add_bench_revision, get_or_add_product_revision
from rig.exports import Form, What, export

START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
VISITS_AT_ONCE = 500


def load(database: Database, visits: int) -> None:
    """Visits of invented units, five minutes apart."""
    for first in range(0, visits, VISITS_AT_ONCE):
        rows: dict[type, list[dict[str, object]]] = {Unit: [], Visit: [], Verdict: [], Sweep: [], Point: []}
        with database.session() as session:
            product = get_or_add_product_revision(session, product_name="Invented", toml_text="a = 1", at_utc=START)
            bench = get_or_add_bench_revision(session, bench_name="Bench", toml_text="b = 1", at_utc=START)
            for number in range(first, min(visits, first + VISITS_AT_ONCE)):
                _visit(rows, number, product.product_id, product.id, bench.id)
            for model, made in rows.items():
                session.execute(insert(model), made)


def _visit(rows, number, product_id, product_revision_id, bench_revision_id) -> None:
    unit, visit, at = new_key(), new_key(), START + timedelta(minutes=5 * number)
    rows[Unit].append(
        {"id": unit, "serial": f"S{number:08d}", "product_id": product_id, "batch_code": f"B{number // 200}"}
    )
    rows[Visit].append(
        {
            "id": visit,
            "unit_id": unit,
            "product_revision_id": product_revision_id,
            "bench_revision_id": bench_revision_id,
            "operator": "operator 1",
            "purpose": "adjust",
            "software_version": "0.1.0",
            "started_utc": at,
            "demonstration": True,
        }
    )
    rows[Verdict].append(
        {"id": new_key(), "visit_id": visit, "decision": "pass", "causes": [], "reason": "ok", "created_utc": at}
    )
    for sequence, purpose in enumerate(("as_found", "as_left")):
        sweep = new_key()
        rows[Sweep].append(
            {
                "id": sweep,
                "visit_id": visit,
                "purpose": purpose,
                "sequence": sequence,
                "started_utc": at,
                "controls": {"octave": "0"},
            }
        )
        rows[Point] += [
            {
                "sweep_id": sweep,
                "index": index,
                "cv_programmed_v": 0.5 * index,
                "cv_v": 0.5 * index + 1e-5,
                "cv_standard_uncertainty_v": 2e-5,
                "read_back_v": 0.5 * index,
                "frequency_hz": 32.703 * 2.0 ** (0.5 * index),
                "relative_standard_uncertainty": 3e-6,
                "gate_s": 0.1,
                "elapsed_s": 0.4 * index,
                "taken_utc": at + timedelta(seconds=index),
                "readings_count": 3,
                "revisit": False,
            }
            for index in range(17)
        ]


def main() -> None:
    """Fill, write out, and say what it took."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=20_000)
    visits = parser.parse_args().visits
    with tempfile.TemporaryDirectory() as folder, open_database(f"sqlite:///{folder}/record.sqlite") as database:
        load(database, visits)
        before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
        for what in (What.VISITS, What.POINTS):
            for form in Form:
                began = time.perf_counter()
                with Path(folder, "written").open("wb") as file:
                    count = export(database, what, form, Choice(), file)
                    size_mb = file.tell() / 1e6
                took_s = time.perf_counter() - began
                peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
                print(
                    f"{what.value:<7}{form.value:<8}{count:>9} rows {size_mb:8.1f} MB {took_s:7.1f} s "
                    f"{count / took_s:9.0f} rows/s  peak {peak_mb:.0f} MB (before: {before_mb:.0f})"
                )


if __name__ == "__main__":
    main()
