"""What the kills are tried on: a folder with bench file, database and notes, and the truth that the bench tells."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from shutil import copyfile
from typing import TYPE_CHECKING

from sqlalchemy import create_engine

from db import protection
from db.history import history
from db.models import Base
from db.questions import connection_of
from drivers.virtual.distant import DistantBench
from fixtures import demonstration_bench, demonstration_product
from rig.owed import is_owed
from rig.product import load_product
from tests.benchmarks.verdicts import PASSED, true_characteristics

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from db.engine import Database
    from db.history import VisitRow

TABLES = frozenset(Base.metadata.tables)


def bench_text(*, seed: int, address_file: str) -> str:
    """The demonstration bench as a process of its own."""
    source = demonstration_bench()
    population = (source.parent / "../populations/demo.toml").resolve().as_posix()
    text = source.read_text(encoding="utf-8").replace("../populations/demo.toml", population)
    return text.replace('clock = "instant"', f'clock = "instant"\nprocess = "{address_file}"').replace(
        "seed = 1", f"seed = {seed}"
    )


@dataclass(frozen=True, slots=True)
class Place:
    """Where one series of kills happens."""

    folder: Path

    @property
    def bench(self) -> Path:
        """The bench file."""
        return self.folder / "bench.toml"

    @property
    def address(self) -> Path:
        """The address file of the virtual bench."""
        return self.folder / "bench.address.json"

    @property
    def database(self) -> Path:
        """The record."""
        return self.folder / "record.sqlite"

    @property
    def committed(self) -> Path:
        """Rows that were committed, as the programs that were killed said."""
        return self.folder / "committed.txt"

    @property
    def said(self) -> Path:
        """What the programs printed."""
        return self.folder / "said.txt"

    @property
    def environment(self) -> dict[str, str]:
        """For a program that works here."""
        return {
            **os.environ,
            "RIG_DATABASE_URL": f"sqlite:///{self.database}",
            "HOME": str(self.folder),
            "XDG_STATE_HOME": str(self.folder / "state"),
            "XDG_DATA_HOME": str(self.folder / "data"),
        }

    def owed(self) -> bool:
        """Whether a safety note stands."""
        return is_owed(self.bench)


@contextmanager
def served_place(folder: Path, seed: int) -> Iterator[Place]:
    """A folder whose virtual bench runs as a process of its own."""
    place = Place(folder)
    place.bench.write_text(bench_text(seed=seed, address_file=place.address.name), encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, "-m", "drivers.virtual", str(place.bench)], stdout=subprocess.DEVNULL, env=place.environment
    )
    try:
        while not place.address.exists():
            if process.poll() is not None:
                raise SystemExit("The virtual bench could not be served.")
            time.sleep(0.01)
        yield place
    finally:
        process.terminate()
        process.wait()


class Truth:
    """What only the bench knows, asked over its control line; shaped as the truth of a bench in this program."""

    def __init__(self, bench: DistantBench) -> None:
        self._line = bench.line

    def is_safe(self) -> bool:
        """Whether the source's output is off and it is programmed to 0 V, and the wires are driven with nothing."""
        return self._line.call("source") == {"on": False, "programmed_v": 0.0, "driven_v": 0.0}

    def messages(self) -> float:
        """How many messages came to the instruments."""
        return self._line.number("messages")

    def frequency_hz(self, cv_v: float, octave: str = "0", knob: str = "low") -> float:
        """Pitch without noise."""
        return self._line.number("frequency_hz", cv_v, octave, knob)

    def rail_v(self) -> float:
        """The reference rail."""
        return self._line.number("rail_v")

    def drift_cents_per_minute(self, cv_v: float) -> float:
        """Drift at this moment."""
        return self._line.number("drift_cents_per_minute", cv_v)


def faults_of_record(place: Place) -> list[str]:
    """What is wrong with the record as a killed program left it; looked at on a copy, log and all.

    Checks: https://www.sqlite.org/pragma.html (integrity_check, foreign_key_check), the protection of finished rows,
    and that every row which a program saw committed is there.
    """
    if not place.database.exists():
        return []
    copy = place.folder / "copy.sqlite"
    for ending in ("", "-wal"):
        original = Path(f"{place.database}{ending}")
        Path(f"{copy}{ending}").unlink(missing_ok=True)
        if original.exists():
            copyfile(original, f"{copy}{ending}")
    Path(f"{copy}-shm").unlink(missing_ok=True)
    with closing(sqlite3.connect(copy)) as connection:
        faults = [str(each) for (each,) in connection.execute("PRAGMA integrity_check") if each != "ok"]
        faults += [f"foreign key: {each}" for each in connection.execute("PRAGMA foreign_key_check")]
        faults += _missing(connection, place.committed)
    engine = create_engine(f"sqlite:///{copy}")
    with engine.connect() as connection:
        # raises what is wrong
        protection.verify(connection, str(copy), required=TABLES)
    engine.dispose()
    return faults


def _missing(connection: sqlite3.Connection, committed: Path) -> list[str]:
    if not committed.exists():
        return []
    said: dict[str, set[tuple[str, ...]]] = {}
    for line in committed.read_text(encoding="utf-8").splitlines():
        table, *key = line.split(" ")
        said.setdefault(table, set()).add(tuple(key))
    missing = []
    for table, keys in said.items():
        names = ", ".join(f'"{column.name}"' for column in Base.metadata.tables[table].primary_key)
        rows = connection.execute(f'SELECT {names} FROM "{table}"')
        there = {tuple(part.hex() if isinstance(part, bytes) else str(part) for part in row) for row in rows}
        missing += [f"a row of {table} that was committed is lost: {key}" for key in sorted(keys - there)]
    return missing


def wrong_statements_on_record(visit: VisitRow, truths: Mapping[str, float]) -> list[str]:
    """As in :func:`tests.benchmarks.verdicts.wrong_statements`, from the rows."""
    wrong = []
    assert visit.verdict is not None
    for finding in visit.as_left:
        if finding.characteristic not in truths or finding.expanded_uncertainty is None:
            continue
        true = truths[finding.characteristic]
        low = -float("inf") if finding.lower_limit is None else finding.lower_limit
        high = float("inf") if finding.upper_limit is None else finding.upper_limit
        inside = min(true - low, high - true)
        passed = finding.decision == "pass" or visit.verdict.decision in PASSED
        if (passed and inside < 0.0) or (finding.decision == "fail" and inside > finding.expanded_uncertainty):
            wrong.append(f"{finding.characteristic}: said {finding.value} {finding.decision}, true {true:.3f}")
    return wrong


def last_visit(database: Database, serial: str) -> VisitRow:
    """The last visit of a unit."""
    with database.reading() as session:
        return history(connection_of(session), serial).visits[-1]


def points_committed(place: Place) -> int:
    """How many points the programs that were killed saw committed."""
    return sum(line.startswith("point ") for line in place.committed.read_text(encoding="utf-8").splitlines())


def truths_of(truth: Truth) -> dict[str, float]:
    """Every characteristic without noise."""
    return true_characteristics(truth, load_product(demonstration_product()).contents)
