"""A year's production read in parts, one a processor: most of the time goes into making numbers of rows."""

from __future__ import annotations

import os
import pickle
import signal
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from db.engine import open_at
from db.rejudging import judged_units
from rig.production import Production, joined, read_production

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from db.engine import Database
    from db.location import Location
    from rig.limits_file import OtherLimits

MANY = 20_000
"""Judged units in a part for which a process of its own is worth its start."""
MOST_PARTS = 8
START = 9_000
"""Units that this process reads while another one starts."""


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

    :param many: judged units in a part, at least.
    :raises WrongInput: as :func:`rig.production.read_production`.
    """
    with database.reading() as session:
        counts = judged_units(session, batch_codes)
        of_product = {code: count for (name, code), count in counts.items() if product in (None, name)}
        parts = parts_of(of_product, min(MOST_PARTS, os.cpu_count() or 1, sum(of_product.values()) // many))
        # what is wrong with the batches is found, and said, by reading them at once
        if len(parts) < 2 or (product is None and len({name for name, _ in counts}) > 1):
            return read_production(session, batch_codes, given, place, product)
        first, *others = parts
        with (
            TemporaryDirectory() as folder,
            ProcessPoolExecutor(len(others), mp_context=get_context("spawn"), initializer=_deaf) as processes,
        ):
            begun = []
            for number, codes in enumerate(others):
                file = Path(folder) / str(number)
                begun.append(processes.submit(_read_part, file, database.location, codes, given, place, product))
            read = [read_production(session, first, given, place, product)]
            for codes, each in zip(others, begun, strict=True):
                try:
                    read.append(_taken(each.result()))
                except (BrokenProcessPool, OSError):
                    read.append(read_production(session, codes, given, place, product))
    return joined(read)


def parts_of(counts: Mapping[str, int], wanted: int) -> list[tuple[str, ...]]:
    """Batches in parts that end together: the largest batch left goes to the part that has least.

    The first part is read at once, the others when their processes have started.

    :param counts: size of each batch by its code.
    """
    parts: list[list[str]] = [[] for _ in range(max(1, min(wanted, len(counts))))]
    sizes = [0, *[min(START, sum(counts.values()) // 4)] * (len(parts) - 1)]
    for code, count in sorted(counts.items(), key=lambda each: (-each[1], each[0])):
        least = sizes.index(min(sizes))
        parts[least].append(code)
        sizes[least] += count
    return [tuple(each) for each in parts]


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
