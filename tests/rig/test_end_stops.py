"""End stops that somebody reports at the bench: what is believed of them, and what the fault shelf is told."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from rig.operators.port import Turned, TurnEnd
from rig.science.conformity import Decision
from rig.visit import PASSED
from tests.rig.conftest import right
from tests.rig.own_hand import Hand

CENTRE_OFF = {"0.021\nposition_turns = 7.5": "0.021\nposition_turns = 9.5"}


@pytest.fixture
def stand(brief_stand):
    """Nothing here is said of the warm-up, or of how fine a sweep is."""
    return brief_stand


class Impatient(Hand):
    """Turns half of what is asked and says that the trim is at its end."""

    def own(self, turn, watch):
        self.hands.turn(turn.trim, 0.5 * turn.turns)
        self.clock.sleep(2.0)
        for _ in range(8):
            watch.read()
        return Turned(TurnEnd.END_STOP, None)


class InVain(Hand):
    """Turns on and on, and nothing moves."""

    def own(self, turn, watch):
        for _ in range(8):
            watch.read()
        return Turned(TurnEnd.END_STOP, 2.5 * turn.turns)


def visited(stand, kind, trim, **options):
    """A visit of a unit on which that trim alone is to be turned, in a way of one's own."""
    changed = {**right(but=trim), **(CENTRE_OFF if trim == "centre" else {})}
    with stand(seed=7, unit="healthy", changed=changed, **options) as it:
        operator = kind(it.operator(), it.bench.hands, it.bench.clock, trim)
        return it.visit(operator=operator), operator


@pytest.mark.parametrize("trim", ["rail", "centre"])
def test_a_trim_that_moved_is_not_at_its_end_whatever_somebody_says(stand, trim):
    visit, operator = visited(stand, Impatient, trim)
    assert len(operator.asked) >= 2
    assert abs(operator.asked[1]) < 0.7 * abs(operator.asked[0])
    assert any("has moved, so it is not taken to be at its end" in each for each in operator.told)
    assert visit.verdict.decision in PASSED, visit.verdict


@pytest.mark.parametrize("trim", ["rail", "centre"])
def test_turns_made_in_vain_take_nothing_from_the_turns_that_are_needed(stand, trim):
    visit, operator = visited(stand, InVain, trim)
    assert len(operator.asked) == 1
    assert visit.verdict.decision is Decision.FAIL
    (cause,) = [each for each in visit.verdict.causes if each.where == trim.upper()]
    needed = re.search(r"about ([0-9.]+) more turns (clockwise|counter-clockwise)", cause.sentence)
    assert float(needed[1]) == pytest.approx(abs(operator.asked[0]), abs=0.15)
    assert needed[2] == ("clockwise" if operator.asked[0] > 0.0 else "counter-clockwise")


def test_a_centre_trim_that_works_the_other_way_round_is_set_before_the_proof(stand, brief_product):
    product = brief_product
    trims = dict(product.contents.trims)
    trims["centre"] = trims["centre"].model_copy(update={"effect_per_turn": -trims["centre"].effect_per_turn})
    other = replace(product, contents=product.contents.model_copy(update={"trims": trims}))
    visit, operator = visited(stand, AsAsked, "centre", product=other)
    first, second = operator.asked
    assert first * second < 0.0
    assert not any("once more through the trims" in each for each in operator.told)
    assert visit.verdict.decision in PASSED, visit.verdict


class InTheWrongTrim(Hand):
    """Turns another trim in place of the one asked for, the first time, and says that that one is at its end."""

    turned = "base"

    def own(self, turn, watch):
        if len(self.asked) > 1:
            return self.operator.turn(turn, watch)
        self.hands.turn(self.turned, 2.0)
        self.clock.sleep(2.0)
        for _ in range(8):
            watch.read()
        return Turned(TurnEnd.END_STOP, None)


class InTheRail(InTheWrongTrim):
    """The same with the rail, which a sweep with the controls at rest does not show."""

    turned = "rail"


@pytest.mark.parametrize(
    ("trim", "hand"), [("scale", InTheWrongTrim), ("highs", InTheWrongTrim), ("scale", InTheRail), ("base", InTheRail)]
)
def test_a_trim_that_was_mistaken_for_another_is_not_at_its_end_whatever_somebody_says(stand, trim, hand):
    visit, operator = visited(stand, hand, trim)
    turned = hand.turned.upper()
    assert any(f"It was {turned} that moved, not {trim.upper()}" in each for each in operator.told)
    assert f"Now turn {trim.upper()}." in operator.told
    assert len(operator.asked) >= 2
    assert visit.verdict.decision in PASSED, visit.verdict


class AsAsked(Hand):
    """Turns as the screen asks."""

    def own(self, turn, watch):
        return self.operator.turn(turn, watch)
