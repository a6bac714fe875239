"""What every test may ask for: a PostgreSQL server of its own, and never the user's own record key."""

import os
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.postgresql import Server, programs, running_server

# programs that the tests start have a home of their own, where each would look through all fonts anew
os.environ.setdefault("MPLCONFIGDIR", str(Path(tempfile.gettempdir()) / "trimrig-tests-plots"))


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


@pytest.fixture
def at_server(server: Server, server_url: str) -> Callable[[str], list[tuple[object, ...]]]:
    """Runs a statement there as anybody could, past the program."""

    def run(statement: str) -> list[tuple[object, ...]]:
        return server.run(statement, server_url)

    return run
