"""How quick the record stays with very many visits in it, and how large a visit is.

``python -m tests.benchmarks.million_visits [--visits N] [--file FILE] [--keep]``: loads an invented million (some
minutes), then asks for a unit's history and for a batch of 200, begins a visit, and stores visits as the rig does,
against a database with nothing in it. Times are the middle of several runs, as a whole program and as the database's
part.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from sqlalchemy import create_engine, func, make_url, select

from db import history as asked
from db.batches import batch_record
from db.engine import Database, open_database
from db.models import Unit, Visit
from db.questions import connection_of
from drivers.virtual.population import load_population
from fixtures import FOLDER, demonstration_bench, demonstration_product
from rig.batch import batch_reports
from rig.beginning import bench_records
from rig.bench import load_bench, open_bench
from rig.errors import Stopped
from rig.invented.history import Teller, on_the_bench, stands
from rig.invented.story import BatchPlan, Story, drawn_unit
from rig.knowledge import learned_trims
from rig.opening import limits_of
from rig.operators.scripted import ScriptedOperator
from rig.product import load_product
from rig.visit import Purpose, Request, run_visit
from tests.benchmarks import many_visits, many_visits_postgresql
from tests.benchmarks.many_visits import BEGINS
from tests.postgresql import programs, running_server

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from sqlalchemy.orm import Session

RUNS = 7
STORED = 12
SERVER_SETTINGS = ("shared_buffers = '1GB'", "fsync = on", "max_wal_size = '4GB'", "work_mem = '64MB'")
PLAN = BatchPlan("9800", BEGINS, 0, 2, Story.PLAIN)


class _FirstScreen(Exception):
    """The first thing that an operator sees has come."""


class _Watcher(ScriptedOperator):
    """Stops the visit when something is shown."""

    def warn(self, cautions: Sequence[str]) -> None:
        raise _FirstScreen(cautions[0])


def middle(run: Callable[[], object]) -> float:
    """Middle of some times, s; the first run, which fills caches, is left out."""
    run()
    times = []
    for _ in range(RUNS):
        began = time.perf_counter()
        run()
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def as_a_program(url: str, *words: str) -> Callable[[], object]:
    """The command line as somebody types it, start of the interpreter and all."""
    environment = {**os.environ, "RIG_DATABASE_URL": url}
    command = [sys.executable, "-c", "from rig.cli import main; main()", *words]

    def run() -> None:
        done = subprocess.run(command, env=environment, capture_output=True, check=False)
        if done.returncode:
            raise RuntimeError(done.stderr.decode())

    return run


@dataclass(frozen=True, slots=True)
class Beginning:
    """What stands between a scan and the first screen, and what the database does before the first measurement."""

    first_screen_s: float
    database_s: float


def beginning(url: str) -> Beginning:
    """Scan to first screen, and the database's part of beginning a visit of a unit that is new to it."""
    bench_file, product = load_bench(demonstration_bench()), load_product(demonstration_product())
    with open_database(url) as database, open_bench(bench_file, limits_of(product)) as bench:
        serials = product.contents.serial
        serial = serials.with_check_character(f"{serials.example[:2]}99990001")

        def to_first_screen() -> None:
            try:
                run_visit(bench, bench_file, product, _Watcher(), database, Request(serial, Purpose.ADJUST, "bench"))
            except (_FirstScreen, Stopped):
                return

        def database_part() -> None:
            database.require_writable()
            bench_records(database, bench, bench_file)
            with database.reading() as session:
                learned_trims(session, product, "9999", demonstration=True)

        return Beginning(middle(to_first_screen), middle(database_part))


class Timed(Database):
    """A database that counts the time spent in its sessions for writing: opening, writing, committing."""

    def __init__(self, database: Database) -> None:
        super().__init__(database._engine, database.url_shown, database.location, lambda: database.keeper)
        self.spent_s = 0.0
        self.sessions = 0

    @contextmanager
    def session(self) -> Iterator[Session]:
        began = time.perf_counter()
        with super().session() as session:
            yield session
        self.spent_s += time.perf_counter() - began
        self.sessions += 1


@dataclass(frozen=True, slots=True)
class Storing:
    """Seconds in the database for one visit stored row by row as the rig does, middle of some, and its commits."""

    full_s: float
    empty_s: float
    commits: int


def storing(full: str, empty: str) -> Storing:
    """Store the same visits in the full and in the empty database by turns: a busy machine slows both alike."""
    product = load_product(demonstration_product())
    with open_database(full) as one, open_database(empty) as other, stands(product, 1) as benches:
        timed = (Timed(one), Timed(other))
        spent: tuple[list[float], list[float]] = ([], [])
        commits = 0
        for turn in range(STORED):
            for place in (0, 1) if turn % 2 else (1, 0):
                database = timed[place]
                serials = product.contents.serial
                serial = serials.with_check_character(f"{serials.example[:2]}98{os.getpid() % 100:02d}{turn:04d}")
                drawn = drawn_unit(load_population(FOLDER / "populations" / "demo.toml"), PLAN, turn, serial, 1)
                unit = on_the_bench(drawn.description, 1, serial)
                teller = Teller(database, product, turn, lambda _: None, unit)
                benches[0].clock.set(datetime.now(UTC))
                before_s, before = database.spent_s, database.sessions
                teller.visit(database, benches[0], serial, unit, 0.0)
                spent[place].append(database.spent_s - before_s)
                commits = max(commits, database.sessions - before)
    return Storing(statistics.median(spent[0]), statistics.median(spent[1]), commits)


def a_unit_with_most_visits(database: Database) -> tuple[str, int]:
    """Serial of a unit of a batch in the middle, and how many visits it has."""
    with database.reading() as session:
        code = session.scalars(
            select(Unit.batch_code).where(Unit.batch_code.like("L%")).order_by(Unit.batch_code)
        ).first()
        found = session.execute(
            select(Unit.serial, func.count(Visit.id))
            .join(Visit, Visit.unit_id == Unit.id)
            .where(Unit.batch_code == code)
            .group_by(Unit.serial)
            .order_by(func.count(Visit.id).desc(), Unit.serial)
            .limit(1)
        ).one()
    return found[0], found[1]


def report(url: str, code: str, empty: str) -> int:
    """Measure and print; how many visits there are.

    :param code: a batch in the middle.
    :param empty: a database with nothing in it, to store in as well.
    """
    with open_database(url) as database:
        with database.reading() as session:
            visits = session.scalar(select(func.count()).select_from(Visit)) or 0
        serial, of_unit = a_unit_with_most_visits(database)

        def ask_history() -> object:
            with database.reading() as session:
                return asked.history(connection_of(session), serial)

        def ask_batch() -> object:
            with database.reading() as session:
                return batch_reports(batch_record(connection_of(session), code))

        history_s, batch_s = middle(ask_history), middle(ask_batch)
    print(f"{visits} visits; machine load {os.getloadavg()[0]:.1f}")
    print(f"history of a unit with {of_unit} visits: {history_s:.4f} s in the database; ", end="")
    print(f"rig history {middle(as_a_program(url, 'history', serial)):.2f} s (wanted under 0.5)")
    print(f"batch of 200 units: {batch_s:.3f} s; rig batch {middle(as_a_program(url, 'batch', code)):.2f} s (under 1)")
    began = beginning(url)
    print(
        f"scan to first screen: {began.first_screen_s:.4f} s; all that a visit asks before its first reading: ", end=""
    )
    print(f"{began.database_s:.4f} s (under 0.3)")
    stored = storing(url, empty)
    print(
        f"storing a visit ({stored.commits} commits): {stored.full_s:.3f} s against {stored.empty_s:.3f} s in an empty "
        f"one: {stored.full_s / stored.empty_s:.2f} times (at most 1.2)"
    )
    return visits


def on_sqlite(file: Path, wanted: int) -> None:
    """Load where there is nothing yet, and measure."""
    known = 0
    if file.exists():
        with open_database(f"sqlite:///{file}") as database, database.reading() as session:
            known = (
                session.scalar(select(func.count(Unit.batch_code.distinct())).where(Unit.batch_code.like("L%"))) or 0
            )
    began = time.perf_counter()
    blocks = known or many_visits.load(file, wanted)
    if not known:
        print(f"loaded in {time.perf_counter() - began:.0f} s")
    with TemporaryDirectory(dir=file.parent) as folder:
        visits = report(f"sqlite:///{file}", many_visits.batch_code(blocks // 2), f"sqlite:///{folder}/empty.sqlite")
    print(f"{file.stat().st_size / 1e9:.2f} GB; bytes a visit (pages; payload):")
    whole = many_visits.sizes(file, visits)
    print(f"  {'all':<44}{sum(pages for _, pages, _ in whole):>8.0f}{sum(payload for *_, payload in whole):>8.0f}")
    for name, pages, payload in whole:
        print(f"  {name:<44}{pages:>8.0f}{payload:>8.0f}")


def on_postgresql(url: str, empty: str, wanted: int) -> None:
    """Load an empty database on a server, and measure."""
    began = time.perf_counter()
    blocks = many_visits_postgresql.load(url, wanted)
    print(f"loaded in {time.perf_counter() - began:.0f} s")
    visits = report(url, many_visits.batch_code(blocks // 2), empty)
    engine = create_engine(make_url(url).set(drivername="postgresql+psycopg"))
    with engine.connect() as connection:
        whole = many_visits_postgresql.sizes(connection, visits)
    engine.dispose()
    print(f"bytes a visit, with indices: {sum(size for _, size in whole):.0f}")
    for name, size in whole:
        print(f"  {name:<44}{size:>8.0f}")


def main() -> None:
    """Load and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=1_000_000)
    parser.add_argument("--file", type=Path, default=Path("million.sqlite"))
    parser.add_argument("--keep", action="store_true", help="keep the file, and use it when it is there already")
    parser.add_argument("--postgresql", action="store_true", help="on a server that is started for this, instead")
    given = parser.parse_args()
    if given.postgresql:
        found = programs()
        if found is None:
            raise SystemExit("There is no PostgreSQL server here: install its package first.")
        with running_server(found) as server:
            for setting in SERVER_SETTINGS:
                server.run(f"ALTER SYSTEM SET {setting}", server.url("postgres"))
            server.stop()
            server.start()
            on_postgresql(server.url(server.create_database()), server.url(server.create_database()), given.visits)
        return
    on_sqlite(given.file, given.visits)
    if not given.keep:
        given.file.unlink()


if __name__ == "__main__":
    main()
