"""Decisions near a limit on the virtual bench: more readings where they help, and a sentence where none do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fixtures import demonstration_product
from rig.acquire import Acquisition
from rig.assess import judged
from rig.control_budgets import drift_budget, rail_budget
from rig.product import load_product
from rig.science.conformity import Decision, Limits, Rule
from rig.science.drift import DriftRate
from rig.specification import Accuracy, RangeSpecification
from rig.stages.judge import judge
from rig.stages.life import look_for_life
from rig.stages.longer import NOTE, Patience
from rig.stages.survey import read_rail, survey
from rig.stages.warm_up import WarmedUp
from rig.undecided import is_in_doubt, readings_worthwhile, sentence, times_for, times_worthwhile
from tests.benchmarks.verdicts import true_characteristics
from tests.rig.warm_unit import WarmUnit
from tests.straight import straight_curve

STILL = WarmedUp(DriftRate(0.0, 1e-4), DriftRate(0.0, 1e-4), 600.0, True)
WIDE_CENTS = 400.0
NOISY = {"invented = true\n": "invented = true\n\n[noise]\nwhite_cents_at_1s = 0.3\n"}


class Kept:
    """A recorder that keeps what it is given."""

    def __init__(self):
        self.purposes, self.points, self.fits = [], [], []

    def sweep(self, purpose, _controls):
        self.purposes.append(purpose)
        return len(self.purposes)

    def point(self, sweep_id, _index, point):
        self.points.append((sweep_id, point))

    def fit(self, sweep_id, assessed):
        self.fits.append((sweep_id, assessed))

    def reading(self, *_reading):
        pass


def product_with(limits, **measuring):
    """The demonstration's product with no controls and limits wide but for those given."""
    loaded = load_product(demonstration_product())
    names = ("scale_error_cents_per_octave", "tracking_musical_cents", "tracking_full_cents", "highs_error_cents")
    wide = dict.fromkeys((*names, "base_pitch_cents"), WIDE_CENTS)
    contents = loaded.contents
    contents = contents.model_copy(
        update={
            "limits": contents.limits.model_copy(update={**wide, "rail": None, **limits}),
            "controls": contents.controls.model_copy(update={"octave": None, "knob": None}),
            "measuring": contents.measuring.model_copy(update=measuring),
        }
    )
    return replace(loaded, contents=contents)


def surveyed(it, product, said=None):
    """A survey of the warm unit on a bench whose source is known well, with what was recorded of it."""
    acquisition = Acquisition(it.bench, product.contents, straight_curve(0.005, 1.0005, np.diag([1e-11, 1e-11])))
    operator, kept = it.operator(), Kept()
    look_for_life(acquisition, operator)
    acquisition.resting = True
    if said is not None:
        operator.say = said.append
    return survey(acquisition, operator, kept, "as_left", STILL), kept


def finding_of(found, name):
    return next(each for each in found.findings if each.characteristic == name)


@pytest.fixture
def noisy(stand):
    """Surveys of one warm and noisy unit, each from the same moment, beside its true characteristics."""

    def surveyed_with(limits, said=None, **measuring):
        with stand(unit="healthy", changed=NOISY) as it:
            WarmUnit(it)
            it.bench.hands.set_control("octave", "0")
            it.bench.hands.set_control("knob", "low")
            truths = true_characteristics(it.bench.provider.truth(), it.product.contents)
            near = {name: abs(truths[of]) + room for name, (of, room) in limits.items()}
            began = it.bench.clock.now()
            found, kept = surveyed(it, product_with(near, **measuring), said)
            return found, kept, it.bench.clock.now() - began

    return surveyed_with


@pytest.mark.parametrize(
    ("name", "limit", "room", "decision"),
    [
        ("scale_error", "scale_error_cents_per_octave", 0.06, Decision.PASS),
        ("tracking_full", "tracking_full_cents", -0.4, Decision.FAIL),
    ],
)
def test_a_noisy_unit_near_its_limit_is_decided_by_more_readings_and_rightly(noisy, name, limit, room, decision):
    hasty, kept, short_s = noisy({limit: (name, room)}, longer_at_most_s=0.0)
    assert kept.purposes == ["as_left"]
    assert is_in_doubt(finding_of(hasty, name))
    said = []
    patient, kept, long_s = noisy({limit: (name, room)}, said)
    found = finding_of(patient, name)
    assert found.decision is decision
    assert found.note.endswith(NOTE)
    assert found.expanded_uncertainty < 0.8 * finding_of(hasty, name).expanded_uncertainty
    assert any("In doubt because readings scatter" in each for each in said)
    assert 10.0 < long_s - short_s < 75.0
    # the record has them as a sweep of their own, and its fit is that of all points together
    assert kept.purposes == ["as_left", "as_left_longer"]
    more = [point for sweep_id, point in kept.points if sweep_id == 2]
    assert len(patient.assessed.points) == 21 + len(more)
    assert kept.fits[-1][1] is patient.assessed
    # points that matter got the readings, and low and high are returned to for the drift
    assert {point.index for point in more} >= {0, 16}
    assert max(point.readings_count for point in more) > 2
    # what was decided at the first look is not judged again
    assert [each.characteristic for each in patient.findings if NOTE in each.note] == [name]


def test_a_unit_that_fails_anyway_is_not_measured_longer(noisy):
    limits = {"scale_error_cents_per_octave": ("scale_error", 0.06), "highs_error_cents": ("highs_error", -10.0)}
    patient, kept, _ = noisy(limits)
    assert kept.purposes == ["as_left"]
    assert is_in_doubt(finding_of(patient, "scale_error"))


def poor_meter(bench_file):
    """The same bench with a meter that its calibration states at 0.1 % of reading: it knows 1.14 cents an octave."""
    accuracy = {"percent_of_reading": 0.1, "percent_of_range": 0.0005}
    one = {"range_v": 10.0, "resolution_v": 1e-6, "within_1_year": accuracy}
    ranges = (RangeSpecification.model_validate(one), *bench_file.contents.meter.ranges[3:])
    meter = bench_file.contents.meter.model_copy(update={"ranges": ranges})
    return replace(bench_file, contents=bench_file.contents.model_copy(update={"meter": meter}))


def test_a_bench_whose_uncertainty_exceeds_the_limit_says_that_it_cannot_decide(stand):
    from rig.operators.virtual import VirtualOperator
    from rig.stages.characterise_source import measured_curve

    with stand(unit="healthy") as it:
        WarmUnit(it)
        it.bench.hands.connect_meter("source")
        bench = replace(it.bench, file=poor_meter(it.bench_file).contents)
        product = product_with({"scale_error_cents_per_octave": 1.0}).contents
        operator = VirtualOperator(it.bench.hands, it.bench.clock, 1)
        curve = measured_curve(bench, product, operator).curve
        acquisition = Acquisition(bench, product, curve)
        acquisition.resting = True
        # a unit right at its nominal scale would be no better off: the CV is what nobody knows
        product_right = product.model_copy(
            update={"limits": product.limits.model_copy(update={"scale_error_cents_per_octave": 1.1})}
        )
        kept = Kept()
        found = survey(replace(acquisition, product=product_right), operator, kept, "as_left", STILL)
    scale = finding_of(found, "scale_error")
    as_if_right = judged("scale_error", "Scale error", replace(scale.budget, value=0.2), 1.1, Rule.GUARDED)
    assert as_if_right.decision is Decision.NO_DECISION
    assert sentence(as_if_right) == (
        "Scale error cannot be decided on this bench: uncertainty is 1.1, limit is 1.1 cents/octave."
    )
    verdict = judge([as_if_right], [], ())
    assert verdict.decision is Decision.NO_DECISION
    assert verdict.reason == sentence(as_if_right)
    # readings do not help against a meter
    assert times_for(as_if_right) == 1.0
    assert kept.purposes == ["as_left"]


def test_more_readings_are_as_many_as_it_takes_or_as_help():
    # four times the readings halve the scatter (JCGM 100:2008, 4.2.3); three times as many, as the value moves too
    assert times_worthwhile(1.0, 0.0, 1.0, 2.0) == pytest.approx(3.0 * 4.0)
    # nothing is gained past a third of the rest
    assert times_worthwhile(1.0, 1.0, 0.1, 2.0) == pytest.approx(9.0)
    assert times_worthwhile(0.1, 1.0, 0.1, 2.0) == 1.0
    assert times_worthwhile(0.0, 1.0, 0.1, 2.0) == 1.0
    assert readings_worthwhile(1.0, 0.0, 1.0, 2.0, taken=5, each_s=0.1, left_s=60.0) == 55
    assert readings_worthwhile(1.0, 0.0, 1.0, 2.0, taken=5, each_s=0.1, left_s=1.0) == 10
    assert readings_worthwhile(1.0, 0.0, 1.0, 2.0, taken=5, each_s=0.1, left_s=0.0) == 0


def test_a_rail_near_its_limit_is_read_more_often_where_its_readings_scatter(stand):
    with stand(unit="healthy") as it:
        WarmUnit(it)
        it.bench.hands.connect_meter("rail")
        # a meter far better than its readings scatter
        accuracy = {"percent_of_reading": 2e-6, "percent_of_range": 0.0}
        fine = RangeSpecification.model_construct(
            range_v=10.0, resolution_v=1e-9, within_1_year=Accuracy.model_validate(accuracy)
        )
        meter = it.bench.file.meter.model_copy(update={"ranges": (fine,)})
        bench = replace(it.bench, file=it.bench.file.model_copy(update={"meter": meter}))
        contents, line = it.product.contents, straight_curve(0.0, 1.0, np.zeros((2, 2)))
        plain = read_rail(Acquisition(bench, contents, line), Kept(), "as_left", Patience(10.0))
        near_v = plain.voltage_v - contents.limits.rail.nominal_v + plain.standard_uncertainty_v
        rail = contents.limits.rail.model_copy(update={"plus_minus_v": near_v})
        near = contents.model_copy(update={"limits": contents.limits.model_copy(update={"rail": rail})})
        patience = Patience(10.0)
        longer = read_rail(Acquisition(bench, near, line), Kept(), "as_left", patience)
    assert plain.readings == 5
    assert 5 < longer.readings <= 505
    assert longer.standard_uncertainty_v < plain.standard_uncertainty_v
    assert patience.left_s == pytest.approx(10.0 - 0.02 * (longer.readings - 5))


def test_a_restless_unit_is_not_blamed_on_the_bench():
    finding = judged(
        "drift_low", "Drift when warm, low end", drift_budget("low", DriftRate(0.1, 0.2), 13), 0.3, Rule.GUARDED
    )
    assert finding.decision is Decision.NO_DECISION
    assert "the unit's readings scatter about their line" in sentence(finding)


def test_a_conditional_pass_says_that_the_bench_could_not_decide_it():
    budget = rail_budget(10.0199, 3e-4, 5, _stated())
    finding = judged("rail", "Reference rail", budget, 0.02, Rule.GUARDED, nominal=10.0)
    assert finding.decision is Decision.CONDITIONAL_PASS
    verdict = judge([finding], [], ())
    assert verdict.decision is Decision.CONDITIONAL_PASS
    assert verdict.reason.startswith("Inside, within the guard band: Reference rail. Reference rail cannot be decided")
    assert "limit is 9.98 to 10.02 V" in verdict.reason
    assert finding.limits == Limits(9.98, 10.02)


def _stated():
    from tests.benchmarks import coverage as figure

    return replace(figure.STATED, meter_gain=2.9e-5)
