"""A large production is read in parts, one a processor, and is the same production."""

from __future__ import annotations

import os
from collections import Counter
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from typing import TYPE_CHECKING

import pytest

from rig import production_parts
from rig.errors import WrongInput
from rig.limits_file import UNCHANGED, OtherLimits, SomeLimits
from rig.production import joined, read_production
from rig.production_parts import START, parts_of, read_in_parts
from rig.rejudge import rejudge

if TYPE_CHECKING:
    from db.engine import Database

TIGHTER = OtherLimits(SomeLimits(scale_error_cents_per_octave=0.05), None)


def test_parts_hold_each_batch_once_and_end_together():
    counts = {f"B{each:02d}": 4000 + 70 * each for each in range(40)}
    parts = parts_of(counts, 3)
    assert Counter(code for part in parts for code in part) == Counter(counts.keys())
    sizes = [sum(counts[code] for code in part) for part in parts]
    # the first is read while the processes of the others start
    assert sizes[0] - START == pytest.approx(sizes[1], abs=max(counts.values()))
    assert sizes[1] == pytest.approx(sizes[2], abs=max(counts.values()))


@pytest.mark.parametrize("wanted", [0, 1, 9])
def test_there_is_at_least_one_part_and_none_is_empty(wanted: int):
    assert all(parts_of({"A": 3, "B": 5}, wanted))


def test_read_in_parts_it_is_judged_as_it_is_read_at_once(
    history: Database, codes: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    with history.reading() as session:
        at_once = read_production(session, codes, UNCHANGED, "")
    parts = []
    monkeypatch.setattr(production_parts, "joined", lambda read: parts.extend(read) or joined(read))
    in_parts = read_in_parts(history, codes, UNCHANGED, "", many=5)
    assert len(parts) == 2
    assert {each.visit_id for each in in_parts.visits} == {each.visit_id for each in at_once.visits}
    for given in (UNCHANGED, TIGHTER):
        one, other = rejudge(at_once, given), rejudge(in_parts, given)
        assert other == one
    assert rejudge(in_parts, TIGHTER).moved != {}


@pytest.mark.parametrize("fault", [BrokenProcessPool("a process was killed"), OSError(28, "No space left on device")])
def test_a_part_that_another_process_cannot_hand_over_is_read_here(
    history: Database, codes: tuple[str, ...], fault: Exception, monkeypatch: pytest.MonkeyPatch
):
    def lost(*_what: object) -> Future[object]:
        future: Future[object] = Future()
        future.set_exception(fault)
        return future

    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(production_parts.ProcessPoolExecutor, "submit", lost)
    with history.reading() as session:
        at_once = read_production(session, codes, UNCHANGED, "")
    assert rejudge(read_in_parts(history, codes, UNCHANGED, "", many=5), UNCHANGED) == rejudge(at_once, UNCHANGED)


def test_batches_without_a_verdict_are_refused_however_they_are_read(history: Database):
    with pytest.raises(WrongInput, match="has a verdict: check the code with 'rig batches'"):
        read_in_parts(history, ("NONE-1", "NONE-2"), UNCHANGED, "", many=1)
