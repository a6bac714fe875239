"""Products that differ in law, trims and controls work without a line of code."""

from dataclasses import replace

import pytest

from fixtures import FOLDER
from rig.product import SCALE_KINDS, StageName, TrimKind, load_product
from rig.science.conformity import Decision
from rig.stages.tracking import trims_past
from tests.rig.conftest import right
from tests.rig.own_hand import Hand

PRODUCTS = FOLDER / "products"
PASSED = (Decision.PASS, Decision.CONDITIONAL_PASS)


def with_stages(product, *between):
    """The product with these stages between the survey as found and the proof."""
    stages = (*product.contents.stages[:2], *(StageName(each) for each in between), StageName.PROOF)
    return replace(product, contents=product.contents.model_copy(update={"stages": stages}))


def brief(product):
    """The product, its warm-up looked at less often and swept over fewer points: neither is the statement."""
    contents = product.contents
    warm_up = contents.warm_up.model_copy(update={"interval_s": 30.0})
    played = contents.range.model_copy(update={"points": 9})
    return replace(product, contents=contents.model_copy(update={"warm_up": warm_up, "range": played}))


@pytest.mark.parametrize(
    ("product", "unit", "turned"),
    [
        ("hertz_per_volt", "hertz_per_volt", {"base", "highs"}),
        ("two_trims", "two_trims", {"scale", "base"}),
    ],
    ids=["hertz per volt, no pivot", "1.2 V per octave, two trims, no switch, no knob"],
)
def test_a_product_is_described_not_programmed(stand, product, unit, turned):
    with stand(seed=3, product=brief(load_product(PRODUCTS / f"{product}.toml")), unit=unit) as it:
        visit = it.visit()
        truth = it.bench.provider.truth()
        played = it.product.contents.range
        base_hz = truth.frequency_hz(played.base_cv_v)
        law = it.product.contents.law.law()
        top_hz = truth.frequency_hz(played.full.high_v)
    assert visit.verdict.decision in PASSED, visit.verdict
    assert set(visit.oscillators[0].moves) <= turned
    assert visit.oscillators[0].moves
    # what the ear would hear, from the truth: lowest note and top of the range
    assert base_hz == pytest.approx(played.lowest_note_hz, rel=3.0 / 1731)
    octaves = float(law.octaves(played.full.high_v) - law.octaves(played.base_cv_v))
    assert top_hz == pytest.approx(played.lowest_note_hz * 2.0**octaves, rel=8.0 / 1731)


@pytest.mark.parametrize("base_hz", [460.0, 640.0])
def test_a_gain_far_off_is_brought_back_by_its_trim(stand, base_hz):
    """A quarter of an octave is eight turns of this trim, and nothing that only a counter could do."""
    changed = {"base_hz = 540.0": f"base_hz = {base_hz}"}
    product = brief(load_product(PRODUCTS / "hertz_per_volt.toml"))
    with stand(seed=5, product=product, unit="hertz_per_volt", changed=changed) as it:
        visit = it.visit()
    assert visit.verdict.decision in PASSED, visit.verdict


def test_a_unit_with_two_oscillators_gets_one_verdict_from_both(stand):
    # with a base to be set on each
    product = with_stages(brief(load_product(PRODUCTS / "double.toml")), "base")
    with stand(seed=3, product=product, unit="healthy", changed=right(but="base")) as it:
        visit = it.visit()
    assert all(dict(each.moves) == {"base": 1} for each in visit.oscillators)
    assert [each.name for each in visit.oscillators] == ["left", "right"]
    assert visit.verdict.decision in PASSED
    names = {finding.characteristic for finding in visit.findings}
    assert {"left.scale_error", "right.scale_error"} <= names
    assert len(names) == len(visit.findings)


def test_the_product_file_says_which_stages_there_are():
    stages = {path.stem: load_product(path).contents.stages for path in sorted(PRODUCTS.glob("*.toml"))}
    assert StageName.OCTAVE_STEPS in stages["demo"]
    assert StageName.OCTAVE_STEPS not in stages["hertz_per_volt"]


@pytest.mark.parametrize(
    ("stages", "kinds", "past"),
    [
        (("scale", "highs", "base"), SCALE_KINDS, set()),
        (("scale", "highs", "base"), (TrimKind.BASE,), {"scale", "highs"}),
        (("base", "scale", "highs"), (TrimKind.BASE,), set()),
        # a trim without a stage is turned by nobody
        (("highs", "base"), (TrimKind.HIGHS,), {"scale"}),
    ],
)
def test_no_target_counts_on_a_trim_that_is_not_turned_any_more(stages, kinds, past):
    product = load_product(PRODUCTS / "demo.toml").contents
    of_tracking = tuple(StageName(each) for each in stages)
    ordered = product.model_copy(update={"stages": (*product.stages[:2], *of_tracking, StageName.PROOF)})
    assert trims_past(ordered, kinds) == past


@pytest.mark.parametrize(
    ("turning", "turned"),
    [(("base",), {"base"}), (("scale", "highs", "base"), {"scale", "highs", "base"})],
    ids=["base alone", "neither rail nor centre"],
)
def test_nobody_goes_round_again_for_a_trim_that_no_stage_turns(stand, brief_product, turning, turned):
    with stand(seed=1, product=with_stages(brief_product, *turning)) as it:
        operator = Hand(it.operator(), it.bench.hands, it.bench.clock, "")
        visit = it.visit(operator=operator)
    assert visit.verdict.decision is Decision.FAIL
    assert "Reference rail" in visit.verdict.reason
    assert set(visit.oscillators[0].moves) == turned
    assert not any("once more through the trims" in each for each in operator.told)


def test_a_product_whose_stages_turn_no_trim_is_judged_as_it_was_found(stand, brief_product):
    with stand(seed=1, product=with_stages(brief_product, "close case")) as it:
        visit = it.visit()
    assert visit.oscillators[0].as_left is None
    assert "its trims may bring it inside" in visit.verdict.reason
