"""A year's production read in parts, on every processor: most of the time goes into making numbers of rows."""

from __future__ import annotations

import os
import pickle
import signal
from collections import deque
from concurrent.futures import CancelledError, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from db.asking import open_for_asking
from db.rejudging import known_units, units_of_products
from rig.no_collecting import no_collecting
from rig.production import NothingJudged, Production, joined, read_production

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from concurrent.futures import Future

    from db.asking import AskedRecord
    from db.engine import Database
    from db.location import Location
    from db.questions import Asked
    from rig.limits_file import OtherLimits

    Codes = tuple[str, ...]

MANY = 10_000
"""Units for which a process of its own is worth its start."""
MOST_PROCESSES = 8
PARTS_EACH = 4
"""Parts that are read out of so many units: whoever is free takes the next, so that all end together."""


@no_collecting()
def read_in_parts(
    database: AskedRecord | Database,
    batch_codes: Sequence[str],
    given: OtherLimits,
    place: str,
    product: str | None = None,
    *,
    many: int = MANY,
) -> Production:
    """Read a production as :func:`rig.production.read_production` does, on several processors where it is large.

    Each part sees one state of the record. A part whose process is lost, or finds no room for its file, is read here.

    :param many: units a process, at least.
    :raises WrongInput: as :func:`rig.production.read_production`.
    """
    with database.reading_connection() as connection:
        helpers = min(MOST_PROCESSES, os.cpu_count() or 1, known_units(connection, batch_codes) // many) - 1
        if helpers < 1:
            return read_production(connection, batch_codes, given, place, product)
        counts = units_of_products(connection, batch_codes)
        of_product = {code: count for (name, code), count in counts.items() if product in (None, name)}
        parts = parts_of(of_product, many // PARTS_EACH)
        # what is wrong with the batches is found, and said, by reading them at once
        if len(parts) < 2 or (product is None and len({name for name, _ in counts}) > 1):
            return read_production(connection, batch_codes, given, place, product)
        here = partial(_judged_in, connection, given=given, place=place, product=product)
        there = partial(_read_part, location=database.location, given=given, place=place, product=product)
        judged = [each for each in _shared_out(parts, helpers, here, there) if each is not None]
        return joined(judged) if judged else read_production(connection, batch_codes, given, place, product)


def _shared_out(
    parts: Sequence[Codes],
    helpers: int,
    here: Callable[[Codes], Production | None],
    there: Callable[[Path, Codes], Path],
) -> list[Production | None]:
    """Parts in their order, each read by whoever was free: from the first one on by helpers, from the last one up here.

    :param here: reads a part in this process;  there: reads one in another, into a file.
    """
    waiting = deque(range(len(parts)))
    asked: list[Future[Path]] = []
    read: dict[int, Production | None] = {}

    def feed(processes: ProcessPoolExecutor, folder: Path) -> None:
        """Hand a helper one part after another; one that it does not hand back waits again."""
        while (number := _next(waiting.popleft)) is not None:
            try:
                part = processes.submit(there, folder / str(number), parts[number])
                asked.append(part)
                read[number] = _taken(part.result())
            except (BrokenProcessPool, CancelledError, OSError):
                waiting.append(number)
                return

    def read_here() -> None:
        while (number := _next(waiting.pop)) is not None:
            read[number] = here(parts[number])

    with TemporaryDirectory() as folder, _processes(helpers) as processes, ThreadPoolExecutor(helpers) as feeders:
        try:
            fed = [feeders.submit(feed, processes, Path(folder)) for _ in range(helpers)]
            read_here()
            for part in asked:
                part.cancel()  # where nobody has begun it
            for feeder in fed:
                feeder.result()
            read_here()
        finally:
            waiting.clear()
    return [read[number] for number in range(len(parts))]


def _next(taken: Callable[[], int]) -> int | None:
    """Number of the next part, None where there is none."""
    try:
        return taken()
    except IndexError:
        return None


def _judged_in(
    connection: Asked, batch_codes: Codes, given: OtherLimits, place: str, product: str | None
) -> Production | None:
    """One part; None where none of its units has a verdict."""
    try:
        return read_production(connection, batch_codes, given, place, product)
    except NothingJudged:
        return None


def parts_of(counts: Mapping[str, int], size: int) -> list[Codes]:
    """Batches in the order of their codes, in parts of so many units or of one batch that has more.

    :param counts: size of each batch by its code.
    """
    parts: list[list[str]] = []
    room = 0
    for code in sorted(counts):
        if counts[code] > room:
            parts.append([])
            room = size
        parts[-1].append(code)
        room -= counts[code]
    return [tuple(each) for each in parts]


@contextmanager
def _processes(count: int) -> Iterator[ProcessPoolExecutor]:
    """Helpers, which start at once, and begin nothing new when the block is left.

    Nobody waits for helpers that have done their work: their ends take half a second.
    """
    processes = ProcessPoolExecutor(count, mp_context=get_context("spawn"), initializer=_deaf)
    done = False
    try:
        for _ in range(count):
            processes.submit(os.getpid)
        yield processes
        done = True
    finally:
        processes.shutdown(wait=not done, cancel_futures=True)


def _deaf() -> None:
    """Ctrl-C is for the command, which ends its helpers."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _read_part(
    file: Path, batch_codes: Codes, location: Location, given: OtherLimits, place: str, product: str | None
) -> Path:
    """Read a part and leave it in a file: through a pipe, fifty megabytes take seconds."""
    with open_for_asking(location) as database, database.reading_connection() as connection:
        production = _judged_in(connection, batch_codes, given, place, product)
    file.write_bytes(pickle.dumps(production, protocol=5))
    return file


def _taken(file: Path) -> Production | None:
    production = pickle.loads(file.read_bytes())
    assert production is None or isinstance(production, Production)
    return production
