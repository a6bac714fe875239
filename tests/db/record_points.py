"""Records points into a sweep one by one, and tells each index after it was committed, until it is killed."""

import sys
from datetime import UTC, datetime
from uuid import UUID

from db.engine import open_database
from db.models import Point

url, sweep_id = sys.argv[1], UUID(sys.argv[2])
with open_database(url) as database:
    for index in range(1_000_000):
        with database.session() as session:
            session.add(
                Point(
                    sweep_id=sweep_id,
                    index=index,
                    cv_programmed_v=1.0,
                    cv_v=1.005,
                    cv_standard_uncertainty_v=2e-5,
                    read_back_v=1.0,
                    frequency_hz=65.406,
                    relative_standard_uncertainty=3e-6,
                    gate_s=0.1,
                    elapsed_s=0.4,
                    taken_utc=datetime.now(UTC),
                    readings_count=3,
                    revisit=False,
                )
            )
        sys.stdout.write(f"{index}\n")
        sys.stdout.flush()
