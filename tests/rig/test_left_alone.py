"""Trims that the operator would not turn: nobody is asked twice, nothing else makes up for them, the slip says why."""

from __future__ import annotations

from collections import Counter
from functools import cache

import pytest

from rig.causes import named_cause
from rig.diagnosis import Fault
from rig.kept_visit import read_visit
from rig.operators.port import Turned, TurnEnd
from rig.reports.slip import slip
from rig.science.conformity import Decision
from rig.visit import PASSED
from tests.rig.conftest import opened_stand
from tests.rig.own_hand import Hand


class Refuses(Hand):
    """Looks at the trim and leaves it alone."""

    def own(self, turn, watch):
        watch.read()
        return Turned(TurnEnd.SKIPPED, 0.0, "damaged or loose")

    def turn(self, turn, watch):
        self.labels = [*getattr(self, "labels", []), turn.label]
        return super().turn(turn, watch)


@pytest.fixture(scope="module")
def refused(tmp_path_factory, brief_product, empty_record):
    """The visit, what was asked for, what the operator was told, and the slip in one line; each visit made once."""

    @cache
    def visited(trim, seed=4):
        folder = tmp_path_factory.mktemp(trim)
        with opened_stand(folder, seed=seed, product=brief_product, empty_record=empty_record) as it:
            operator = Refuses(it.operator(), it.bench.hands, it.bench.clock, trim)
            visit = it.visit(operator=operator)
            paper = slip(read_visit(it.database, visit.serial, visit.visit_id))
        return visit, Counter(operator.labels), operator.told, " ".join(paper.split())

    return visited


@pytest.mark.parametrize("trim", ["scale", "rail", "centre", "base"])
def test_a_trim_that_is_left_alone_is_asked_for_once_and_the_slip_says_why(refused, trim):
    visit, asked, told, paper = refused(trim)
    label = trim.upper()
    assert asked[label] == 1
    assert f"{label} was left alone: damaged or loose." in paper
    turned = paper.partition("Turned:")[2].partition("Rule:")[0]
    assert turned
    assert label not in turned
    assert trim not in visit.oscillators[0].moves
    # what the refused trim leaves wrong, no further round can mend
    assert not any("once more through the trims" in each for each in told)


def test_no_other_trim_makes_up_for_a_scale_trim_that_nobody_turned(refused):
    visit, asked, _, _ = refused("scale")
    # highs and rail would be bent to a scale that is put right at the repair
    assert not asked["HIGHS"]
    assert not asked["RAIL"]
    assert visit.verdict.decision is Decision.FAIL
    assert [cause.fault for cause in visit.verdict.causes] == [Fault.LEFT_ALONE]


def test_a_unit_that_is_right_without_the_trim_passes_with_a_remark(refused):
    visit, _, _, _ = refused("highs", seed=7)
    assert visit.verdict.decision in PASSED, visit.verdict
    assert "HIGHS was left alone: damaged or loose." in visit.verdict.reason


def test_the_record_of_a_batch_counts_what_was_left_alone_by_its_trim():
    known = named_cause("SCALE was left alone: out of reach.")
    assert (known.fault, known.where) == (Fault.LEFT_ALONE, "SCALE")
    assert known.label == "trim left alone: SCALE"
