"""Every fault once, and a drawn sample of faults, stages and moments: the short form of the matrix, and of the fuzz.

Long forms: ``python -m tests.benchmarks.fault_matrix`` and ``python -m tests.benchmarks.fuzz``.
"""

import random

import pytest

from drivers.virtual.trouble import Kind
from rig.science.conformity import Decision
from tests.benchmarks.fault_matrix.plan import A_WHILE, FOREVER, cells_of
from tests.benchmarks.fault_matrix.record import DISK_FULL, LOCKED
from tests.benchmarks.fault_matrix.run import Setting, run_cell, undisturbed
from tests.benchmarks.fuzz import fuzz_files, fuzz_replies, fuzz_scans

LEAN = Setting(lean=True)
FOR_GOOD = (Kind.STALE, Kind.STUCK_UNSEEN, Kind.LEAD_OFF, Kind.MULTIPLE, Kind.HUM, Kind.NO_SIGNAL)
"""Faults that make no difference in a single message: they are shown for good."""
INVISIBLE = (Kind.TIME_BASE, Kind.CLOCK_JUMP)
"""What one counter, and one clock, cannot see by itself."""


@pytest.fixture(scope="module")
def cells():
    assert undisturbed(LEAN).decision is Decision.PASS
    return cells_of(list(undisturbed(LEAN).spans))


@pytest.mark.parametrize("kind", [*(each.value for each in Kind), LOCKED, DISK_FULL])
def test_no_fault_makes_a_wrong_verdict_or_loses_a_point_or_leaves_the_source_on(cells, kind):
    lasts = FOREVER if kind in (*FOR_GOOD, LOCKED, DISK_FULL) else 1
    among = [each for each in cells if (each.kind, each.lasts) == (kind, lasts) and each.stage == "as found"]
    result = run_cell(random.Random(kind).choice(among), LEAN)
    assert result.violations == (), str(result)
    assert result.told or kind in INVISIBLE or result.outcome == "made no difference", str(result)


def test_hum_in_a_first_look_shelves_no_good_unit(cells):
    stage, kind = "the first look at the unit", Kind.HUM.value
    among = [each for each in cells if (each.stage, each.kind, each.lasts) == (stage, kind, A_WHILE)]
    assert {each.moment for each in among} == {"first", "middle", "last"}
    for each in among:
        result = run_cell(each, LEAN)
        assert result.violations == (), str(result)
        assert result.outcome in ("made good, and told", "made no difference"), str(result)


def test_replies_end_in_values_or_typed_errors():
    tally = fuzz_replies(1, 12_000)
    assert tally.violations == ()
    assert tally.ended["read"] > 1000
    assert tally.ended["Unreadable"] > 1000


def test_files_end_in_contents_or_one_sentence():
    tally = fuzz_files(1, 250)
    assert tally.violations == ()
    assert tally.ended["FileProblem"] > 50


def test_scans_end_in_a_serial_or_one_sentence():
    tally = fuzz_scans(1, 2_000)
    assert tally.violations == ()
    assert tally.ended["taken"] > 50
    assert tally.ended["SerialProblem"] > 50
