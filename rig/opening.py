"""What every command that touches a bench opens first: files, record, console, whoever does the turning.

Each function imports what it needs: a command that only asks the record is not kept waiting for the instruments.
"""

from __future__ import annotations

import sys
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click
from platformdirs import user_data_dir

from rig.command_options import INTERRUPTED

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from rich.console import Console

    from db.asking import AskedRecord
    from db.engine import Database
    from db.errors import Unreachable
    from drivers.source import VoltageLimits
    from rig.bench import Bench, BenchFile, Tracing
    from rig.operators.port import Operator
    from rig.product import Product
    from rig.tomlfile import Loaded

OpenedT = TypeVar("OpenedT")


def load_files(bench: Path | None, product: Path | None) -> tuple[Loaded[BenchFile], Loaded[Product]]:
    """Bench and product file; those of the demonstration where none is named."""
    from fixtures import demonstration_bench, demonstration_product
    from rig.bench import load_bench
    from rig.product import load_product

    return load_bench(bench or demonstration_bench()), load_product(product or demonstration_product())


def limits_of(product: Loaded[Product]) -> VoltageLimits:
    """What the product bears at its CV jack."""
    from drivers.source import VoltageLimits

    absolute = product.contents.range.absolute
    return VoltageLimits(absolute.low_v, absolute.high_v)


@dataclass(slots=True)
class Ending:
    """What is said after Ctrl-C where nothing is owed: more than this once the source has been reached."""

    said: str = "Stopped before anything was measured: nothing is owed on this bench."

    def source_reached(self) -> None:
        """From here on the bench is open, and closing it has made the source safe."""
        self.said = "Stopped: the source is at 0 V with its output off, and what was measured is kept."


@contextmanager
def ending_in_a_sentence(bench: Path, ending: Ending | None = None) -> Iterator[Ending]:
    """Ctrl-C, once everything is closed.

    A second one may have come while the source was made safe: what is owed then is done now, or said.

    :param bench: the bench file.
    """
    ending = ending or Ending()
    try:
        yield ending
    except KeyboardInterrupt:
        click.echo(_stopped(bench, ending.said), err=True)
        raise click.exceptions.Exit(INTERRUPTED) from None


def _stopped(bench: Path, safe: str) -> str:
    from rig.errors import BenchProblem
    from rig.owed import do_what_is_owed, is_owed

    if not is_owed(bench):
        return safe
    try:
        done = do_what_is_owed(bench)
    except BenchProblem as problem:
        return f"Stopped. {problem}"
    except KeyboardInterrupt:
        return f"Stopped, and the source may be on: rig bench safe {bench}"
    return f"Stopped. {done}" if done else safe


def traced_to(everything: Path | None) -> Tracing:
    """Messages: all of them to a file where one is named; the last minute before a fault to the user's data folder."""
    from rig.bench import Tracing

    folder = Path(user_data_dir("trimrig", appauthor=False)) / "traces"
    return Tracing(everything, folder, tell=partial(click.echo, err=True))


@contextmanager
def open_record() -> Iterator[Database]:
    """The database, where the environment or the user's data folder has it: a server's where it names one.

    :raises Unreachable: it cannot be opened; where a server is away, what answers meanwhile is said.
    """
    from db.engine import open_database

    with _reached(open_database) as database:
        yield database


@contextmanager
def record_to_ask() -> Iterator[AskedRecord | Database]:
    """The same database for a command that only asks it, there in a fraction of the time.

    :raises Unreachable: as :func:`open_record`.
    """
    from db.asking import open_for_asking

    with _reached(open_for_asking) as record:
        yield record


def _reached(opening: Callable[[], OpenedT]) -> OpenedT:
    from db.errors import Unreachable

    try:
        return opening()
    except Unreachable as away:
        raise _with_own_record(away) from None


def _with_own_record(away: Unreachable) -> Unreachable:
    """The same, and where this bench's own record can be asked meanwhile."""
    from db.errors import Unreachable
    from db.floor import own_record
    from db.location import database_location

    own = own_record(database_location())
    if own is None:
        return away
    return Unreachable(
        f"{away} What this bench recorded itself answers meanwhile, where RIG_DATABASE_URL is set to {own.url} for "
        "the command."
    )


@contextmanager
def open_bench_record() -> Iterator[Database]:
    """The database that a bench records in: always on this computer; a server gets what has ended."""
    from db.floor import open_bench_database
    from db.location import database_location

    with open_bench_database(database_location()) as database:
        yield database


def console_of(*, to_stderr: bool) -> Console:
    """The terminal; its error side where a document goes to the other."""
    from rich.console import Console

    return Console(stderr=to_stderr, highlight=False, soft_wrap=True)


@contextmanager
def operator_at(console: Console, bench: Bench, seed: int | None) -> Iterator[Operator]:
    """Hands of the bench where it has some, else the person at the terminal."""
    from rig.operators.console import ConsoleOperator
    from rig.operators.desk import Desk
    from rig.operators.keys import open_keyboard
    from rig.operators.virtual import VirtualOperator

    person = ConsoleOperator(console, Desk(open_keyboard(sys.stdin)))
    if bench.hands is not None:
        yield VirtualOperator(bench.hands, bench.clock, seed or 0, say=person.tell, show_progress=person.progress)
        return
    with person.desk:
        yield person
