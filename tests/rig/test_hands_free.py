"""The rig sees what hands did, says so, and goes on by itself when it is right."""

from dataclasses import dataclass, field

import pytest
from sqlalchemy import select

from db import models
from rig.operators.port import Seen, Turned, TurnEnd
from rig.science.conformity import Decision
from rig.visit import Purpose
from tests.benchmarks.verdicts import true_characteristics, wrong_statements
from tests.rig.conftest import right

PASSED = (Decision.PASS, Decision.CONDITIONAL_PASS)


@pytest.fixture
def stand(brief_stand):
    """Nothing here is said of the warm-up, or of how fine a sweep is."""
    return brief_stand


@dataclass
class Clumsy:
    """A virtual operator that makes one mistake, once."""

    operator: object
    hands: object
    clock: object
    mistake: str
    made: bool = False
    told: list[str] = field(default_factory=list)
    turned: list[str] = field(default_factory=list)

    def __getattr__(self, name):
        return getattr(self.operator, name)

    def tell(self, message):
        self.told.append(message)

    def turn(self, turn, watch):
        self.turned.append(turn.trim)
        if self.mistake == "power off at the rail" and not self.made and turn.trim == "rail":
            self.made = True
            self.hands.turn(turn.trim, 0.3 * turn.turns)
            watch.read()
            self.hands.power(False)
        if self.mistake == "turns scale in place of the rail" and not self.made and turn.trim == "rail":
            self.made = True
            self.hands.turn("scale", -0.9)
            self.clock.sleep(2.0)
            return Turned(TurnEnd.END_STOP, turn.turns)
        if self.made or turn.trim != "scale":
            return self.operator.turn(turn, watch)
        if self.mistake == "turns highs in place of scale":
            self.made = True
            self.hands.turn("highs", -1.5)
            self.clock.sleep(2.0)
            return Turned(TurnEnd.GAVE_UP, turn.turns)
        if self.mistake == "power off while turning":
            self.made = True
            self.hands.turn(turn.trim, 0.4 * turn.turns)
            self.hands.power(False)
            seen = [watch.read().seen for _ in range(3)]
            assert seen[-1] is Seen.NO_SIGNAL
            self.clock.sleep(20.0)
            self.hands.power(True)
            for _ in range(5):
                watch.read()
            raise AssertionError("the move goes on though the unit has cooled")
        return self.operator.turn(turn, watch)

    def close_case(self):
        if self.mistake == "power off for the case":
            self.made = True
            self.hands.power(False)
            self.clock.sleep(300.0)
            self.hands.power(True)
            # a case that takes long to close excuses nothing
            self.clock.sleep(120.0)
        self.operator.close_case()

    def progress(self, stage, done, total):
        if self.mistake == "power off in the last sweep" and not self.made and (stage, done) == ("sweep as left", 8):
            self.made = True
            self.hands.power(False)
        self.operator.progress(stage, done, total)

    def output_is_connected(self, problem):
        if not self.made:
            return self.operator.output_is_connected(problem)
        self.clock.sleep(600.0)
        self.hands.power(True)
        return False

    def set_control(self, control, position, sight=None):
        if self.mistake == "switch two positions too far" and not self.made and (control, position) == ("octave", "1"):
            self.made = True
            sight.look()
            self.hands.set_control("octave", "3")
            said = [sight.look() for _ in range(6)]
            assert not any(each.done for each in said)
            self.told.append(said[-1].said)
            self.hands.set_control("octave", "1")
            while not sight.look().done:
                pass
            return
        if self.mistake == "power off at the switch" and not self.made and (control, position) == ("octave", "2"):
            self.made = True
            self.hands.power(False)
            sight.look()
            self.clock.sleep(30.0)
            self.hands.power(True)
            self.hands.set_control("octave", "2")
            while not sight.look().done:
                pass
            return
        self.operator.set_control(control, position, sight)


def clumsy(it, mistake):
    return Clumsy(it.operator(), it.bench.hands, it.bench.clock, mistake)


@pytest.mark.parametrize(
    ("mistake", "said", "wrong"),
    [
        ("turns highs in place of scale", "HIGHS that moved, not SCALE", "scale"),
        ("power off while turning", "was off while SCALE was turned", "scale"),
        ("switch two positions too far", "too far", ""),
        ("power off at the switch", "was off while the octave switch was moved", ""),
        # ten minutes without power: judged at once, its base pitch would be several cents off when it is warm
        ("power off in the last sweep", "may have been without power", "base"),
        ("turns scale in place of the rail", "another trim was turned in its place", "rail"),
        ("power off for the case", "as the case was closed", "base"),
        ("power off at the rail", "may have been without power", "rail"),
    ],
)
def test_a_mistake_is_seen_said_and_mended(stand, mistake, said, wrong):
    """The unit has one trim to be turned, or none."""
    with stand(seed=3, unit="healthy", changed=right(but=wrong)) as it:
        operator = clumsy(it, mistake)
        visit = it.visit(Purpose.ADJUST if wrong else Purpose.CHECK, operator)
        truths = true_characteristics(it.bench.provider.truth(), it.product.contents)
    assert operator.made
    assert any(said in each for each in operator.told), operator.told
    assert not wrong or wrong in visit.oscillators[0].moves
    assert visit.verdict.decision in PASSED, visit.verdict
    assert wrong_statements(visit, truths) == ()


def test_a_unit_that_keeps_losing_its_power_gets_no_verdict(stand):
    class Loose(Clumsy):
        def set_control(self, control, position, sight=None):
            if sight is not None:
                self.hands.power(False)
                sight.look()
                self.clock.sleep(30.0)
                self.hands.power(True)
            self.operator.set_control(control, position, sight)

    with stand(seed=3) as it:
        visit = it.visit(operator=Loose(it.operator(), it.bench.hands, it.bench.clock, "loose"))
    assert visit.verdict.decision is Decision.NO_DECISION
    assert "leads" in visit.verdict.reason


def test_a_trim_that_is_left_alone_is_not_asked_for_again(stand):
    class Refuses(Clumsy):
        def turn(self, turn, watch):
            self.turned.append(turn.trim)
            if turn.trim == "scale":
                return Turned(TurnEnd.SKIPPED, None, "screw sealed")
            return self.operator.turn(turn, watch)

    with stand(seed=4, unit="healthy", changed=right(but="scale")) as it:
        operator = Refuses(it.operator(), it.bench.hands, it.bench.clock, "refuses")
        visit = it.visit(operator=operator)
        with it.database.reading() as session:
            outcomes = {move.trim: move.outcome for move in session.scalars(select(models.Move))}
    assert operator.turned.count("scale") == 1
    assert "screw sealed" in outcomes["scale"]
    assert visit.verdict.decision is Decision.FAIL
