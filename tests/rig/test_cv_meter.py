"""By what the CV is known: not at all, by a characterisation, by a second meter that is left on it."""

from contextlib import contextmanager
from math import log2

import numpy as np
import pytest
from sqlalchemy import select

from db import models
from drivers.virtual.trouble import Kind
from rig.acquire import Acquisition
from rig.assess import assess_sweep, tracking_findings
from rig.beginning import Wanted, begin_visit, bench_records
from rig.errors import BenchProblem, FileProblem
from rig.operators.scripted import ScriptedOperator
from rig.science.conformity import Decision
from rig.science.measured_cv import MeasuredCv
from rig.stages import longer
from rig.stages.characterise_source import know_the_source
from rig.stages.control_findings import stated_for_sweeps
from rig.stages.leads import meter_to_rail
from rig.stages.survey import _take, evenly_spread, read_rail
from tests.straight import straight_curve

from .benches import CV_METER, standing, written

NEARLY_RIGHT_CENTS = 1.0
"""Where the tests leave the base pitch: well inside its 3 cents, and 5 mV away from failing."""
AS_PROGRAMMED = straight_curve(0.0, 1.0, np.zeros((2, 2)))
COARSE = [("settling_s = 0.04\nresolution_v = 0.0001", "settling_s = 0.04\nresolution_v = 0.001")]


def true_base_cents(it):
    return 1200.0 * log2(it.bench.provider.truth_frequency_hz(0.0) / it.product.contents.range.lowest_note_hz)


@contextmanager
def warm_and_in_tune(folder, bench_file):
    """A warm unit whose base pitch is a cent off, by its own truth, on a source that is 0.05 % and 5 mV off."""
    with standing(folder, bench_file) as it:
        hands = it.bench.hands
        hands.insert(it.serial)
        hands.power(True)
        hands.connect_meter("rail" if it.bench.cv_meter is not None else "source")
        it.bench.source.output_on()
        it.bench.clock.sleep(3600.0)
        per_turn = 1200.0 * it.bench.provider.wiring.unit.description.trims["base"].effect_per_turn
        for _ in range(6):
            hands.turn("base", (NEARLY_RIGHT_CENTS - true_base_cents(it)) / per_turn)
        it.bench.clock.sleep(600.0)
        assert true_base_cents(it) == pytest.approx(NEARLY_RIGHT_CENTS, abs=0.5)
        yield it


def judged(it, line):
    """Findings of one sweep, with the CV as the line says."""
    acquisition = Acquisition(it.bench, it.product.contents, line)
    records = bench_records(it.database, it.bench, it.bench_file)
    wanted = Wanted(it.serial, "2600", "test", "check", None, None)
    recorder = begin_visit(records, it.product, it.bench, line, wanted)
    _, points = _take(acquisition, ScriptedOperator(), recorder, "as_found", evenly_spread(acquisition, 17))
    assessed = assess_sweep(points, it.product.contents, it.bench.file, line)
    found = tracking_findings(assessed, it.product.contents, stated_for_sweeps(acquisition), line)
    return {each.characteristic: each for each in found}, points, recorder


@pytest.fixture(scope="module")
def by_each_way(tmp_path_factory):
    """The same unit on the same source: the CV taken as programmed, characterised, and read at each point."""
    folder = tmp_path_factory.mktemp("cv")
    ways = {}
    with warm_and_in_tune(folder, written(folder / "one.toml", unit="healthy", virtual='link = "direct"')) as it:
        ways["as programmed"] = (*judged(it, AS_PROGRAMMED)[:1], true_base_cents(it))
        records = bench_records(it.database, it.bench, it.bench_file)
        line = know_the_source(it.bench, it.product.contents, it.operator(), records)
        ways["characterised"] = (*judged(it, line)[:1], true_base_cents(it))
    tables = "\n[virtual.cv_meter]\n"
    two = written(folder / "two.toml", unit="healthy", more=CV_METER, virtual='link = "direct"', tables=tables)
    with warm_and_in_tune(folder, two) as it:
        records = bench_records(it.database, it.bench, it.bench_file)
        operator = ScriptedOperator()
        line = know_the_source(it.bench, it.product.contents, operator, records)
        meter_to_rail(Acquisition(it.bench, it.product.contents, line), operator)
        findings, points, recorder = judged(it, line)
        acquisition = Acquisition(it.bench, it.product.contents, line)
        first = assess_sweep(points, it.product.contents, it.bench.file, line)
        again = longer._one_pass(acquisition, first, longer.Wanted({3: 4}), 0, it.bench.clock.now())
        truth = it.bench.provider.truth()
        ways["again"] = [(each, truth.jack_voltage_v(each.cv_programmed_v)) for each in again]
        ways["cv meter"] = (findings, true_base_cents(it))
        rail = read_rail(Acquisition(it.bench, it.product.contents, line), recorder, "as_found")
        with it.database.reading() as session:
            of_visit = select(models.Sweep.id).where(models.Sweep.visit_id == recorder.visit_id)
            kept = session.scalars(
                select(models.Point).where(models.Point.sweep_id.in_(of_visit)).order_by(models.Point.elapsed_s)
            ).all()
            conditions = session.scalars(select(models.VisitCondition)).all()
            roles = session.scalars(
                select(models.VisitInstrument.role).where(models.VisitInstrument.visit_id == recorder.visit_id)
            ).all()
        truth_v = [it.bench.provider.truth().jack_voltage_v(point.cv_programmed_v) for point in points]
        ways["record"] = (points, truth_v, kept, conditions, roles, operator, line, rail)
    return ways


def test_a_source_that_is_taken_at_its_word_fails_a_unit_that_is_right(by_each_way):
    findings, true_cents = by_each_way["as programmed"]
    base = findings["base_pitch"]
    # common practice: 1 V per octave, so 5 mV are 6 cents
    assert base.value - true_cents == pytest.approx(6.0, abs=0.5)
    assert abs(base.value - true_cents) > 3.0 * base.expanded_uncertainty
    assert base.decision in {Decision.FAIL, Decision.CONDITIONAL_FAIL}


@pytest.mark.parametrize("way", ["characterised", "cv meter"])
def test_the_same_unit_is_judged_rightly_once_the_cv_is_known(by_each_way, way):
    findings, true_cents = by_each_way[way]
    base = findings["base_pitch"]
    assert base.decision is Decision.PASS
    assert abs(base.value - true_cents) < base.expanded_uncertainty


def test_both_ways_to_know_the_cv_agree_within_their_uncertainties(by_each_way):
    one, other = by_each_way["characterised"][0], by_each_way["cv meter"][0]
    for name in ("scale_error", "highs_error", "tracking_full"):
        allowed = np.hypot(one[name].expanded_uncertainty, other[name].expanded_uncertainty)
        assert abs(one[name].value - other[name].value) < allowed


def test_each_point_carries_the_cv_that_was_read_there_with_its_uncertainty(by_each_way):
    points, truth_v, kept, *_ = by_each_way["record"]
    for point, true_v, row in zip(points, truth_v, kept, strict=True):
        assert row.cv_v == point.cv_v
        assert point.cv_v != pytest.approx(point.cv_programmed_v, abs=4e-3)
        assert abs(point.cv_v - true_v) < 3.0 * row.cv_standard_uncertainty_v
        assert 1e-6 < row.cv_standard_uncertainty_v < 3e-4


def test_points_that_are_measured_longer_carry_the_cv_that_was_read_too(by_each_way):
    _, _, kept, _, _, _, line, _ = by_each_way["record"]
    assert len(by_each_way["again"]) == 3
    for point, true_v in by_each_way["again"]:
        assert point.cv_v != line.true_v(point.cv_programmed_v)
        assert abs(point.cv_v - true_v) < 3.0 * max(row.cv_standard_uncertainty_v for row in kept)


def test_no_lead_is_moved_and_screen_and_record_say_how_the_cv_is_known(by_each_way):
    _, _, _, conditions, roles, operator, line, rail = by_each_way["record"]
    assert isinstance(line, MeasuredCv)
    assert not any("meter on" in each for each in operator.asked)
    assert any("measured at each point by the meter that is left on it" in each for each in operator.asked)
    assert rail.voltage_v == pytest.approx(10.03, abs=0.1)
    assert [each.cv_by for each in conditions] == ["characterisation", "characterisation", "cv meter"]
    assert sorted(roles) == ["counter", "cv_meter", "meter", "source"]


def test_the_budget_names_the_reading_and_the_meter_on_the_cv(by_each_way):
    findings, _ = by_each_way["cv meter"]
    names = {each.name for each in findings["scale_error"].budget.inputs}
    assert {"each reading of the CV", "meter, share of reading"} <= names
    assert "source grid" not in names


def test_a_coarse_source_costs_nothing_where_the_cv_is_read(tmp_path):
    # a grid of 1 mV is 1.2 cents: beside it, a reading of the CV is as good as on a fine source
    tables = "\n[virtual.cv_meter]\n"
    coarse = [*COARSE, ("[virtual.source]\nresolution_v = 0.0001", "[virtual.source]\nresolution_v = 0.001")]
    file = written(
        tmp_path / "c.toml", unit="healthy", more=CV_METER, virtual='link = "direct"', tables=tables, changed=coarse
    )
    with warm_and_in_tune(tmp_path, file) as it:
        records = bench_records(it.database, it.bench, it.bench_file)
        line = know_the_source(it.bench, it.product.contents, ScriptedOperator(), records)
        findings, _, _ = judged(it, line)
        assert findings["scale_error"].expanded_uncertainty < 0.1
        assert abs(findings["base_pitch"].value - true_base_cents(it)) < findings["base_pitch"].expanded_uncertainty


def test_a_cv_meter_whose_lead_came_off_is_not_believed(tmp_path):
    tables = "\n[virtual.cv_meter]\n"
    file = written(tmp_path / "b.toml", unit="healthy", more=CV_METER, virtual='link = "direct"', tables=tables)
    with standing(tmp_path, file) as it:
        it.bench.hands.insert(it.serial)
        records = bench_records(it.database, it.bench, it.bench_file)
        operator = ScriptedOperator()
        it.bench.provider.devices["cv_meter"].ails[Kind.LEAD_OFF] = 1.0
        with pytest.raises(BenchProblem, match="does not follow the source"):
            know_the_source(it.bench, it.product.contents, operator, records)
        assert operator.asked.count("meter on CV_JACK") == 2


def test_one_input_cannot_be_on_the_rail_and_on_the_cv(tmp_path):
    shared = CV_METER.replace('resource = "{cv_meter}"', 'same_as = "meter"')
    with pytest.raises(
        FileProblem, match="meter and cv_meter are one input, which cannot be on the rail and on the CV"
    ):
        written(tmp_path / "b.toml", more=shared)
