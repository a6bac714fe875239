"""What every test may ask for: a PostgreSQL server of its own, and never the user's own record key."""

import gc
import os
import shutil
import signal
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from db.engine import open_database
from rig.cli import THREADS_OF_ALGEBRA
from tests.made_once import empty_record_in, made_once
from tests.postgresql import Server, programs, running_server

MEMORY = Path("/dev/shm")
ROOM_BYTES = 2 << 30
"""More than all tests of a run write."""

# programs that the tests start have a home of their own, where each would look through all fonts anew
os.environ.setdefault("MPLCONFIGDIR", str(Path(tempfile.gettempdir()) / "trimrig-tests-plots"))

# a database waits for the disk at every point of a sweep; in memory there is nothing to wait for
if MEMORY.is_dir() and os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > ROOM_BYTES:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))

# the programs that tests start again and again are compiled once
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# a shell starts what runs in its background with Ctrl-C ignored, and what is started from there inherits that
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# as in the program itself: matrices are small, and every worker and every program that it starts has a core at most
for name in THREADS_OF_ALGEBRA:
    os.environ.setdefault(name, "1")

# no test is timed: computers are busy
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


def pytest_collection_finish() -> None:
    """What is imported by now stays: the garbage collector has not to look through it again and again."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)


@pytest.fixture(scope="session", autouse=True)
def record_key_of_the_tests(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The key that records are chained with lies in a folder of the tests, for programs they start as well."""
    before = os.environ.get("RIG_RECORD_KEY_FILE")
    os.environ["RIG_RECORD_KEY_FILE"] = str(tmp_path_factory.mktemp("key") / "record.key")
    yield
    if before is None:
        del os.environ["RIG_RECORD_KEY_FILE"]
    else:
        os.environ["RIG_RECORD_KEY_FILE"] = before


@pytest.fixture(scope="session")
def empty_record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database of this version's schema without a row, to be copied: quicker than to be made."""
    return made_once(tmp_path_factory, "empty-record", empty_record_in)


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A PostgreSQL server in a folder of its own, one a worker."""
    folder = programs()
    if folder is None:
        pytest.skip("PostgreSQL is not installed here: Debian's package is called postgresql")
    with running_server(folder) as started:
        yield started


@pytest.fixture
def server_url(server: Server) -> Iterator[str]:
    """An empty database on the server, gone after the test."""
    name = server.create_database()
    yield server.url(name)
    server.drop_database(name)


@pytest.fixture(scope="session")
def migrated_template(server: Server) -> str:
    """A database of this version's schema, to be copied."""
    name = server.create_database()
    open_database(server.url(name)).close()
    return name


@pytest.fixture
def migrated(server: Server, migrated_template: str) -> Iterator[str]:
    """Address of a database of this version's schema without a row, gone after the test."""
    name = server.create_database(migrated_template)
    yield server.url(name)
    server.drop_database(name)
