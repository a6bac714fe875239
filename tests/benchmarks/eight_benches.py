"""Eight benches on one PostgreSQL server: two are killed, the server dies twice; nothing lost, nothing twice.

    python -m tests.benchmarks.eight_benches [--visits 400] [--benches 8] [--seed 1]

Each bench is a process of its own with a virtual bench on the instant clock, its own record and the floor's server. It
checks its units one after the other. The moments of the kills and of the server's deaths are drawn by the seed.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from db.checking import check
from db.engine import open_database
from db.errors import Unreachable
from db.floor import SharedFloor, open_bench_database
from db.location import Location
from db.models import Unit, Visit
from db.moving import table_sums
from db.record_key import key_file, read_key
from drivers.source import VoltageLimits
from fixtures import demonstration_bench, demonstration_product
from rig.bench import drawn_anew, load_bench, open_bench
from rig.handing_in import handed_in, visit_on_the_floor
from rig.operators.virtual import VirtualOperator
from rig.product import load_product
from rig.visit import Purpose, Request
from tests.postgresql import programs, running_server

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from db.engine import Database
    from rig.bench import BenchFile
    from rig.tomlfile import Loaded
    from tests.postgresql import Server

KILLED_BENCHES = 2
SERVER_DEATHS = 2
AWAY_S = 2.0


def bench_of(number: int, seed: int) -> Loaded[BenchFile]:
    """A bench of the floor: the demonstration's, under a name of its own, without sockets."""
    loaded = drawn_anew(load_bench(demonstration_bench()), seed=seed, fault="")
    contents = loaded.contents
    named = contents.model_copy(
        update={
            "bench": contents.bench.model_copy(update={"name": f"Bench {number}"}),
            "virtual": {**(contents.virtual or {}), "link": "direct"},
        }
    )
    return replace(loaded, text=loaded.text.replace(contents.bench.name, f"Bench {number}"), contents=named)


def serial_of(place: int) -> str:
    """The unit in this place of the day's list."""
    return load_product(demonstration_product()).contents.serial.with_check_character(f"DM2601{place:04d}")


def work_at(number: int, url: str, places: list[int], seed: int) -> None:
    """One bench's day: check each unit that has no finished visit yet, then hand in until nothing waits."""
    product, bench_file = load_product(demonstration_product()), bench_of(number, seed + number)
    absolute = product.contents.range.absolute
    with (
        open_bench_database(Location(url, "the figure", None)) as database,
        open_bench(bench_file, VoltageLimits(absolute.low_v, absolute.high_v)) as bench,
    ):
        assert bench.hands is not None
        operator = VirtualOperator(bench.hands, bench.clock, seed)
        for place in places:
            serial = serial_of(place)
            with database.reading() as session:
                if finished(session, serial):
                    continue
            request = Request(serial, Purpose.CHECK, f"operator {number}", seed=seed)
            visit = visit_on_the_floor(bench, bench_file, product, operator, database, request)
            bench.source.make_safe()
            sys.stdout.write(f"{serial} {visit.visit_id}\n")
            sys.stdout.flush()
        while not all_handed_in(database):
            time.sleep(0.5)


def all_handed_in(database: Database) -> bool:
    """Whether nothing waits any more; the server may be away, or die now."""
    floor = database.floor
    assert isinstance(floor, SharedFloor)
    if floor.ask_now().reached() is None:
        return False
    try:
        return handed_in(database)[1] == 0
    except Unreachable:
        return False


def finished(session: Session, serial: str) -> int:
    """How many finished visits of a unit there are."""
    return (
        session.query(Visit)
        .join(Unit, Unit.id == Visit.unit_id)
        .filter(Unit.serial == serial, Visit.outcome == "finished")
        .count()
    )


class Bench:
    """A bench's process, and what it told."""

    def __init__(self, number: int, url: str, folder: Path, places: list[int], seed: int) -> None:
        self.spool = folder / f"bench-{number}.sqlite"
        self.told: list[str] = []
        self._command = [sys.executable, "-m", "tests.benchmarks.eight_benches", "--bench", str(number)]
        self._command += ["--url", url, "--places", ",".join(map(str, places)), "--seed", str(seed)]
        self._log = folder / f"bench-{number}.log"
        self.start()

    def start(self) -> None:
        """Begin the day, or go on with it."""
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(
                self._command,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                env={**os.environ, "RIG_SPOOL_FILE": str(self.spool)},
            )
        self._reader = threading.Thread(target=self._read, args=(self.process,), daemon=True)
        self._reader.start()

    def _read(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None
        for line in process.stdout:
            self.told.append(line.strip())

    def killed(self) -> None:
        """As by a power cut, and switched on again."""
        self.process.kill()
        self.process.wait()
        self._reader.join()
        self.start()

    def ended(self) -> None:
        """Wait for the end of the day.

        :raises RuntimeError: it did not end well.
        """
        code = self.process.wait()
        self._reader.join()
        if code != 0:
            raise RuntimeError(f"{self.spool.name} ended with {code}:\n{self._log.read_text(errors='replace')[-2000:]}")


def run(visits: int, benches: int, seed: int, folder: Path, server: Server) -> bool:
    """The whole day, and whether the server has it all once."""
    url, draw = server.url(server.create_database()), random.Random(seed)
    open_database(url).close()
    began = time.monotonic()
    floor = [Bench(number, url, folder, list(range(number, visits, benches)), 1000 * seed) for number in range(benches)]
    try:
        disturb(floor, server, visits, draw)
        for bench in floor:
            bench.ended()
    finally:
        for bench in floor:
            bench.process.kill()
    print(f"{visits} visits on {benches} benches in {time.monotonic() - began:.0f} s")
    return is_whole(url, [bench.spool for bench in floor], visits)


def disturb(floor: list[Bench], server: Server, visits: int, draw: random.Random) -> None:
    """Kill benches and the server, after so many visits."""
    moments = sorted(draw.sample(range(visits // 10, visits * 8 // 10), KILLED_BENCHES + SERVER_DEATHS))
    victims = draw.sample(range(len(floor)), KILLED_BENCHES)
    events = [("bench", each) for each in victims] + [("server", 0)] * SERVER_DEATHS
    draw.shuffle(events)
    for moment, (what, which) in zip(moments, events, strict=True):
        while sum(len(bench.told) for bench in floor) < moment and any(b.process.poll() is None for b in floor):
            time.sleep(0.05)
        if what == "bench":
            floor[which].killed()
            print(f"after {moment} visits: bench {which} killed and started again")
        else:
            server.stop(at_once=True)
            time.sleep(AWAY_S)
            server.start()
            print(f"after {moment} visits: the server killed, away for {AWAY_S:g} s, started again")


def is_whole(url: str, spools: list[Path], visits: int) -> bool:
    """Compare the server with what the benches kept, and with the chain."""
    key = read_key(key_file())
    kept: Counter[str] = Counter()
    points = 0
    for spool in spools:
        with open_database(f"sqlite:///{spool}") as database:
            with database.reading() as session:
                rows = session.query(Unit.serial, Visit.id).join(Visit, Visit.unit_id == Unit.id)
                kept.update(f"{serial} {visit}" for serial, visit in rows.filter(Visit.outcome == "finished"))
            with database.reading_connection() as connection:
                points += table_sums(connection)["point"].count
    with open_database(url) as server:
        with server.reading() as session:
            rows = session.query(Unit.serial, Visit.id).join(Visit, Visit.unit_id == Unit.id)
            there = Counter(f"{serial} {visit}" for serial, visit in rows.filter(Visit.outcome == "finished"))
        with server.reading_connection() as connection:
            found = check(connection, [key], [key_file()])
            points_there = table_sums(connection)["point"].count
    serials = Counter(each.split()[0] for each in there)
    print(f"finished visits: {len(kept)} on the benches, {len(there)} on the server, of {len(serials)} units")
    print(f"points: {points} on the benches, {points_there} on the server")
    print(f"chain: {found.links} links of {len(found.heads)} benches, {found.flaws_count} flaws")
    lost, twice = kept - there, [serial for serial, count in serials.items() if count > 1]
    print(f"lost: {sum(lost.values())}; twice: {len(twice)}")
    whole = there == kept and len(serials) == visits and points == points_there
    return whole and found.sound and not twice


def main() -> int:
    """Parse arguments and run; exit code 1 where something was lost or is there twice."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--visits", type=int, default=400)
    parser.add_argument("--benches", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--bench", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--url", help=argparse.SUPPRESS)
    parser.add_argument("--places", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.bench is not None:
        work_at(asked.bench, asked.url, [int(each) for each in asked.places.split(",")], asked.seed)
        return 0
    installed = programs()
    if installed is None:
        print("PostgreSQL is not installed here: Debian's package is called postgresql.")
        return 2
    with tempfile.TemporaryDirectory() as name, running_server(installed) as server:
        os.environ["RIG_RECORD_KEY_FILE"] = str(Path(name) / "record.key")
        whole = run(asked.visits, asked.benches, asked.seed, Path(name), server)
    print("whole" if whole else "NOT WHOLE")
    return 0 if whole else 1


if __name__ == "__main__":
    sys.exit(main())
