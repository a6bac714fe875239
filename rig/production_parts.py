"""A year's production read in parts, on every processor: most of the time goes into making numbers of rows."""

from __future__ import annotations

import os
import pickle
import signal
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from db.engine import open_at
from db.rejudging import judged_units, known_units, no_collecting
from rig.production import Production, joined, read_production

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from db.engine import Database
    from db.location import Location
    from rig.limits_file import OtherLimits

MANY = 10_000
"""Units for which a process of its own is worth its start."""
MOST_PROCESSES = 8
PARTS_EACH = 4
"""Parts that are read out of so many units: whoever is free takes the next, so that all end together."""


@no_collecting()
def read_in_parts(
    database: Database,
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
    with database.reading() as session:
        helpers = min(MOST_PROCESSES, os.cpu_count() or 1, known_units(session, batch_codes) // many) - 1
        if helpers < 1:
            return read_production(session, batch_codes, given, place, product)
        read: dict[int, Production] = {}
        with TemporaryDirectory() as folder, _processes(helpers) as processes:
            counts = judged_units(session, batch_codes)
            of_product = {code: count for (name, code), count in counts.items() if product in (None, name)}
            parts = parts_of(of_product, many // PARTS_EACH)
            # what is wrong with the batches is found, and said, by reading them at once
            if len(parts) < 2 or (product is None and len({name for name, _ in counts}) > 1):
                return read_production(session, batch_codes, given, place, product)
            begun = [
                _begun(
                    processes,
                    partial(_read_part, Path(folder) / str(number), database.location, codes, given, place, product),
                )
                for number, codes in enumerate(parts)
            ]
            # from the last one down, until the first that another process has begun
            for number, each in reversed(list(enumerate(begun))):
                if not each.cancel():
                    break
                read[number] = read_production(session, parts[number], given, place, product)
            for number, each in enumerate(begun[: len(parts) - len(read)]):
                try:
                    read[number] = _taken(each.result())
                except (BrokenProcessPool, OSError):
                    read[number] = read_production(session, parts[number], given, place, product)
    return joined([read[number] for number in range(len(parts))])


def parts_of(counts: Mapping[str, int], size: int) -> list[tuple[str, ...]]:
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
    """Helpers, which start at once, and begin nothing new when the block is left."""
    processes = ProcessPoolExecutor(count, mp_context=get_context("spawn"), initializer=_deaf)
    try:
        for _ in range(count):
            processes.submit(os.getpid)
        yield processes
    finally:
        processes.shutdown(cancel_futures=True)


def _begun(processes: ProcessPoolExecutor, reading: Callable[[], Path]) -> Future[Path]:
    """A part that will be read; failed already where the helpers are lost."""
    try:
        return processes.submit(reading)
    except BrokenProcessPool as lost:
        failed: Future[Path] = Future()
        failed.set_exception(lost)
        return failed


def _deaf() -> None:
    """Ctrl-C is for the command, which ends its helpers."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _read_part(
    file: Path, location: Location, batch_codes: Sequence[str], given: OtherLimits, place: str, product: str | None
) -> Path:
    """Read a part and leave it in a file: through a pipe, fifty megabytes take seconds."""
    with open_at(location) as database, database.reading() as session:
        production = read_production(session, batch_codes, given, place, product)
    file.write_bytes(pickle.dumps(production, protocol=5))
    return file


def _taken(file: Path) -> Production:
    production = pickle.loads(file.read_bytes())
    assert isinstance(production, Production)
    return production
