"""A large production is read in parts, one a processor, and is the same production."""

from __future__ import annotations

import os
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from typing import TYPE_CHECKING
from unittest.mock import Mock

import pytest
from sqlalchemy import select

from db.engine import open_database
from db.models import Unit
from rig import production_parts
from rig.errors import WrongInput
from rig.limits_file import UNCHANGED, OtherLimits, SomeLimits
from rig.production import joined, read_production
from rig.production_parts import parts_of, read_in_parts
from rig.rejudge import rejudge

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from db.engine import Database

TIGHTER = OtherLimits(SomeLimits(scale_error_cents_per_octave=0.05), None)


def test_parts_hold_each_batch_once_in_order_and_fill_their_room():
    counts = {f"B{each:02d}": 400 + 7 * each for each in range(40)}
    parts = parts_of(counts, 2500)
    assert [code for part in parts for code in part] == list(counts)
    sizes = [sum(counts[code] for code in part) for part in parts]
    assert max(sizes) <= 2500
    # no batch that would have found room begins a part
    assert all(size + counts[after[0]] > 2500 for size, after in zip(sizes, parts[1:], strict=False))


def test_a_batch_with_more_units_than_a_part_is_one_by_itself():
    assert parts_of({"A": 3, "B": 50, "C": 2}, 10) == [("A",), ("B",), ("C",)]
    assert parts_of({}, 10) == []


def test_read_in_parts_it_is_judged_as_it_is_read_at_once(
    history: Database, codes: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    with history.reading_connection() as connection:
        at_once = read_production(connection, codes, UNCHANGED, "")
    parts = []
    monkeypatch.setattr(production_parts, "joined", lambda read: parts.extend(read) or joined(read))
    in_parts = read_in_parts(history, codes, UNCHANGED, "", many=5)
    assert len(parts) == len(codes) > 1
    assert {each.visit_id for each in in_parts.visits} == {each.visit_id for each in at_once.visits}
    for given in (UNCHANGED, TIGHTER):
        one, other = rejudge(at_once, given), rejudge(in_parts, given)
        assert other == one
    assert rejudge(in_parts, TIGHTER).moved != {}


def _lost(fault: Exception) -> Callable[..., Future[object]]:
    """Helpers that are asked and fail."""

    def submit(*_what: object) -> Future[object]:
        future: Future[object] = Future()
        future.set_exception(fault)
        return future

    return submit


def _refused(_self: object, what: object, *_given: object) -> Future[object]:
    """Helpers that are lost before they are asked."""
    if what is os.getpid:
        return Future()
    raise BrokenProcessPool("a process was killed")


@pytest.mark.parametrize(
    "submit",
    [
        pytest.param(_lost(BrokenProcessPool("a process was killed")), id="killed"),
        pytest.param(_lost(OSError(28, "No space left on device")), id="disk full"),
        pytest.param(_refused, id="lost before they are asked"),
        pytest.param(lambda *_what: Future(), id="never begun"),
    ],
)
def test_parts_that_no_other_process_hands_over_are_read_here(
    history: Database,
    codes: tuple[str, ...],
    submit: Callable[..., Future[object]],
    monkeypatch: pytest.MonkeyPatch,
):
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(production_parts.ProcessPoolExecutor, "submit", submit)
    with history.reading_connection() as connection:
        at_once = read_production(connection, codes, UNCHANGED, "")
    in_parts = read_in_parts(history, codes, UNCHANGED, "", many=5)
    for given in (UNCHANGED, TIGHTER):
        assert rejudge(in_parts, given) == rejudge(at_once, given)


def test_batches_without_a_verdict_are_refused_however_they_are_read(history: Database):
    with pytest.raises(WrongInput, match="has a verdict: check the code with 'rig batches'"):
        read_in_parts(history, ("NONE-1", "NONE-2"), UNCHANGED, "", many=1)


def test_a_batch_of_which_nothing_is_judged_yet_leaves_the_others_as_they_are(
    history: Database, codes: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    history.copy_file(tmp_path / "copy.sqlite")
    begun = ("A-1", codes[0] + "-1", "Z-1")
    with open_database(f"sqlite:///{tmp_path}/copy.sqlite") as database:
        with database.session() as session:
            product_id = session.scalars(select(Unit.product_id)).first()
            session.add_all(
                Unit(serial=f"{code}-{number}", product_id=product_id, batch_code=code)
                for code in begun
                for number in range(6)
            )
        in_parts = read_in_parts(database, (*begun, *codes), UNCHANGED, "", many=5)
        with database.reading_connection() as connection:
            at_once = read_production(connection, codes, UNCHANGED, "")
        for given in (UNCHANGED, TIGHTER):
            assert rejudge(in_parts, given) == rejudge(at_once, given)
        with pytest.raises(WrongInput, match="No unit of 3 batches has a verdict"):
            read_in_parts(database, begun, UNCHANGED, "", many=5)


@pytest.mark.parametrize("fault", ["there", "here"])
def test_what_stops_one_part_stops_all_with_its_own_words(
    history: Database, codes: tuple[str, ...], fault: str, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    if fault == "there":
        monkeypatch.setattr(production_parts.ProcessPoolExecutor, "submit", _lost(WrongInput("not in range")))
    else:
        monkeypatch.setattr(production_parts, "read_production", Mock(side_effect=WrongInput("not in range")))
    with pytest.raises(WrongInput, match="not in range"):
        read_in_parts(history, codes, UNCHANGED, "", many=5)
