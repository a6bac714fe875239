"""One invented history for all tests of batches: small, and made once."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from db.engine import open_database
from rig.invented.history import tell_history

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from db.engine import Database
    from rig.invented.history import Told

VISITS = 24
ENDS = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="session")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Told]:
    file = tmp_path_factory.mktemp("history") / "history.sqlite"
    with open_database(f"sqlite:///{file}") as database:
        return file, tell_history(database, VISITS, seed=3, ends=ENDS)


@pytest.fixture
def history(told: tuple[Path, Told]) -> Iterator[Database]:
    with open_database(f"sqlite:///{told[0]}") as database:
        yield database


@pytest.fixture
def codes(told: tuple[Path, Told]) -> tuple[str, ...]:
    return tuple(plan.code for plan in told[1].batches)
