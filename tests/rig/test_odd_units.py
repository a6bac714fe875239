"""Units and benches that are odd but legal: the verdict is right, the cause true, the advice leads somewhere."""

import re

import pytest

from drivers.virtual.trouble import Kind, Trouble
from rig.diagnosis import Fault
from rig.errors import BenchDoubt
from rig.science.conformity import Decision
from rig.workflow import Purpose
from tests.benchmarks.verdicts import true_characteristics, wrong_statements
from tests.rig.conftest import right

PASSED = (Decision.PASS, Decision.CONDITIONAL_PASS)


@pytest.fixture
def stand(brief_stand):
    """Nothing here is said of the warm-up, or of how fine a sweep is."""
    return brief_stand


def faults(visit):
    return {cause.fault for cause in visit.verdict.causes}


@pytest.mark.parametrize("bow_v", [0.007, -0.007])
def test_a_source_that_is_not_straight_is_known_as_it_is(stand, bow_v):
    # 7 mV in the middle of the range would be 8 cents of the CV's own
    with stand(seed=1, unit="healthy", changed=right(), source={"bow_v": bow_v}) as it:
        visit = it.visit(Purpose.CHECK)
        truths = true_characteristics(it.bench.provider.truth(), it.product.contents)
    assert wrong_statements(visit, truths) == ()
    assert visit.verdict.decision in PASSED, visit.verdict


def test_a_source_of_a_kilohm_loses_one_percent_into_the_unit_and_is_known_for_it(stand):
    # common practice: 1 kilohm into 100 kilohm is 1 %, or 12 cents an octave
    with stand(seed=1, unit="healthy", changed=right(), source={"output_resistance_ohm": 1000.0}) as it:
        visit = it.visit(Purpose.CHECK)
        truth = it.bench.provider.truth()
        truths = true_characteristics(truth, it.product.contents)
        lost = 1.0 - truth.jack_voltage_v(8.0) / truth.source_voltage_v(8.0)
    assert lost == pytest.approx(0.0099, abs=1e-4)
    assert visit.verdict.decision in PASSED, visit.verdict
    assert wrong_statements(visit, truths) == ()


def test_slight_leakage_that_the_trims_can_share_out_is_no_fault(stand):
    with stand(seed=1, unit="healthy", changed={**right(), "leakage_hz = 0.002": "leakage_hz = 0.03"}) as it:
        visit = it.visit()
        truths = true_characteristics(it.bench.provider.truth(), it.product.contents)
    assert visit.oscillators[0].moves
    assert visit.verdict.decision in PASSED, visit.verdict
    assert wrong_statements(visit, truths) == ()


@pytest.mark.parametrize(
    ("trim", "turn", "seed"),
    [("highs", "3.7e-7", 1), ("scale", "0.0042", 2), ("base", "0.028", 3)],
    ids=["highs", "scale", "base"],
)
def test_a_trim_that_works_the_other_way_round_is_found_out_and_used(stand, trim, turn, seed):
    other_way = {f"effect_per_turn = {turn}": f"effect_per_turn = -{turn}"}
    with stand(seed=seed, unit="healthy", changed={**right(but=trim), **other_way}) as it:
        visit = it.visit()
        truths = true_characteristics(it.bench.provider.truth(), it.product.contents)
    assert trim in visit.oscillators[0].moves
    assert visit.verdict.decision in PASSED, visit.verdict
    assert wrong_statements(visit, truths) == ()


def test_a_unit_octaves_too_low_gets_a_plain_cause_and_no_plan(stand):
    with stand(seed=1, unit="healthy", changed={"base_hz = 32.1": "base_hz = 3.0"}) as it:
        visit = it.visit()
    assert visit.verdict.decision is Decision.FAIL
    assert visit.verdict.causes


def test_a_dead_rail_is_called_one(stand):
    with stand(seed=1, unit="healthy", changed={**right(), "error = 0.003": "error = -0.99"}) as it:
        visit = it.visit()
    assert visit.verdict.decision is Decision.FAIL
    assert Fault.DEAD_RAIL in faults(visit)


def test_highs_far_off_are_not_put_down_to_the_octave_divider(stand):
    with stand(seed=1, unit="healthy", changed={"dead_time_s = 1.2e-06": "dead_time_s = 2.0e-05"}) as it:
        visit = it.visit()
    assert visit.verdict.decision is Decision.FAIL
    assert Fault.OCTAVE_DIVIDER not in faults(visit)


def test_a_rail_out_of_travel_is_named_once(stand):
    with stand(seed=1, unit="healthy", changed={**right(but="rail"), "error = 0.003": "error = -0.03"}) as it:
        visit = it.visit()
    assert visit.verdict.decision is Decision.FAIL
    assert [cause.fault for cause in visit.verdict.causes].count(Fault.OUT_OF_TRAVEL) == 1


@pytest.mark.parametrize("error", [-0.12, -0.075, 0.075])
def test_a_scale_out_of_travel_takes_no_other_trim_along(stand, error):
    """What highs and base would need to make up for it says nothing of their own parts."""
    changed = {**right(but="scale"), "scale_error = 0.008": f"scale_error = {error}"}
    with stand(seed=1, unit="healthy", changed=changed) as it:
        visit = it.visit()
    assert visit.verdict.decision is Decision.FAIL
    travel = [cause.where for cause in visit.verdict.causes if cause.fault is Fault.OUT_OF_TRAVEL]
    assert travel == ["SCALE"]


@pytest.mark.parametrize(("unit", "error"), [("healthy", 0.0575), ("pivot_above", 0.045), ("healthy", -0.055)])
def test_a_scale_a_little_beyond_its_travel_is_turned_once_and_named_with_what_it_lacks(stand, unit, error):
    """Turns made in vain past the end of a trim say so, and teach nothing; nobody is sent back to it, nor elsewhere."""
    others = right(but="scale") if unit == "healthy" else {}
    with stand(seed=1, unit=unit, changed={**others, "scale_error = 0.008": f"scale_error = {error}"}) as it:
        visit = it.visit()
    assert visit.verdict.decision is Decision.FAIL
    assert visit.oscillators[0].moves["scale"] == 1
    (travel,) = [cause for cause in visit.verdict.causes if cause.fault is Fault.OUT_OF_TRAVEL]
    assert travel.where == "SCALE"
    assert "SCALE is out of travel" in travel.sentence
    # the trim of these units has some ten turns to either side, of 0.42 % each
    lacking = float(re.search(r"about ([0-9.]+) more turns", travel.sentence)[1])
    assert lacking == pytest.approx(abs(error) / 0.0042 - 10.0, abs=1.5)


@pytest.mark.parametrize(("trim", "turn"), [("scale", "0.0042"), ("base", "0.028"), ("centre", "0.021")])
def test_a_trim_that_moves_nothing_may_be_dead_and_is_not_called_out_of_travel(stand, trim, turn):
    changed = {
        **right(but=trim),
        f"effect_per_turn = {turn}": "effect_per_turn = 1e-7",
        "knob_bow_octaves = 0.02": "knob_bow_octaves = 0.1",
    }
    with stand(seed=1, unit="healthy", changed=changed) as it:
        visit = it.visit()
    assert visit.verdict.decision is Decision.FAIL
    (travel,) = [cause for cause in visit.verdict.causes if cause.where == trim.upper()]
    assert travel.fault is Fault.OUT_OF_TRAVEL
    assert travel.sentence.startswith(f"{trim.upper()} moves nothing: about ")
    assert "is dead; look at the trim" in travel.sentence


def test_a_held_cv_near_the_true_pivot_is_not_taken_for_an_end_stop(stand):
    # the pivot of this unit lies a quarter of an octave below the top, where the watch holds its CV at first
    with stand(seed=7020) as it:
        visit = it.visit()
        truths = true_characteristics(it.bench.provider.truth(), it.product.contents)
    assert visit.verdict.decision is Decision.PASS
    assert wrong_statements(visit, truths) == ()
    assert truths["tracking_musical"] < 1.0


def test_a_counter_that_answers_in_kilohertz_and_does_not_say_so_makes_no_verdict(stand):
    # common practice: cheap counters answer what their display shows
    with stand(seed=1, unit="healthy") as it:
        answers = Trouble(role="counter", kind=Kind.MULTIPLE, message=1, messages=1_000_000, amount=1e-3)
        it.bench.provider.troubles.add(answers)
        with pytest.raises(BenchDoubt, match="as of a counter that answers in kilohertz and does not say so"):
            it.visit(Purpose.CHECK)
