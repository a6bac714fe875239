"""What the tests of several workers only read or copy is made by the first worker that asks for it."""

import os
import pickle
import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

import pytest
from filelock import FileLock

from db.engine import open_database

Made = TypeVar("Made")


def made_once(folders: pytest.TempPathFactory, name: str, make: Callable[[Path], Made]) -> Made:
    """What ``make`` says of a folder that it has filled, once in a run.

    Each worker has a record key of its own: what is chained here is known to the key of the worker that made it.
    """
    shared = folders.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        # each worker's folder lies in that of the run
        shared = shared.parent
    folder = shared / f"once-{name}"
    said = folder / "said.pickle"
    with FileLock(shared / f"once-{name}.lock"):
        if not said.exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            made = make(folder)
            said.write_bytes(pickle.dumps(made))
            return made
    loaded: Made = pickle.loads(said.read_bytes())
    return loaded


def empty_record_in(folder: Path) -> Path:
    """A database of this version's schema without a row."""
    file = folder / "record.sqlite"
    open_database(f"sqlite:///{file}").close()
    return file


@cache
def empty_record() -> bytes:
    """The same as bytes, for whoever has no folder of the tests' run."""
    with TemporaryDirectory() as folder:
        return empty_record_in(Path(folder)).read_bytes()
