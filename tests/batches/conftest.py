"""One invented history for all tests of batches: small, and made once."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from db.engine import open_database
from rig.invented.history import tell_history
from rig.invented.story import BatchPlan, Story, batch_plans
from tests.made_once import made_once

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from db.engine import Database
    from rig.invented.history import Told

VISITS = 20
UNITS = 6
ENDS = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)


def short_plans() -> tuple[BatchPlan, ...]:
    """The two batches with a story."""
    return tuple(replace(plan, units=UNITS) for plan in batch_plans(VISITS, ENDS) if plan.story is not Story.PLAIN)


@pytest.fixture(scope="session")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Told]:

    def make(folder: Path) -> tuple[Path, Told]:
        file = folder / "history.sqlite"
        with open_database(f"sqlite:///{file}") as database:
            return file, tell_history(database, VISITS, seed=3, plans=short_plans())

    file, told = made_once(tmp_path_factory, "history", make)
    own = tmp_path_factory.mktemp("history") / "history.sqlite"
    shutil.copyfile(file, own)
    return own, told


@pytest.fixture
def history(told: tuple[Path, Told]) -> Iterator[Database]:
    with open_database(f"sqlite:///{told[0]}") as database:
        yield database


@pytest.fixture
def codes(told: tuple[Path, Told]) -> tuple[str, ...]:
    return tuple(plan.code for plan in told[1].batches)
