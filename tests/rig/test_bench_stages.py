"""The bench itself on the virtual bench: its source characterised, verified with a reference unit, studied."""

import shutil
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from functools import partial

import numpy as np
import pytest

from db.engine import open_database
from drivers.source import VoltageLimits
from drivers.virtual.trouble import Kind, Trouble
from fixtures import demonstration_bench
from rig.beginning import bench_records
from rig.bench import drawn_anew, load_bench, open_bench
from rig.bench_history import known_curve, reference_checks, values_that_count
from rig.errors import BenchProblem, NoDecision, WrongInput
from rig.operators.scripted import ScriptedOperator
from rig.science.characterisation import NotTheSource
from rig.science.reference import Standing
from rig.stages.bench_study import StudyPlan, analysed, order_of, run_study
from rig.stages.characterise_source import characterise_source, know_the_source, measured_curve
from rig.stages.verify_bench import (
    VerifyRequest,
    require_a_product,
    require_the_reference,
    verification_due,
    verify_bench,
)

from .conftest import Stand

SPAN_V = np.linspace(0.0, 8.0, 33)


def records_of(it):
    return bench_records(it.database, it.bench, it.bench_file)


def ready(it):
    """A unit on the bench, the meter on its CV jack, the source's output on."""
    it.bench.hands.insert(it.serial)
    it.bench.hands.power(True)
    it.bench.hands.connect_meter("source")
    it.bench.source.output_on()


def truth_v(it):
    truth = it.bench.provider.truth()
    return np.array([truth.jack_voltage_v(float(each)) for each in SPAN_V])


@pytest.fixture
def stand(brief_stand):
    """Nothing here is said of the warm-up, or of how fine a sweep is."""
    return brief_stand


@contextmanager
def opened_with(tmp_path, product, seed=1, **tables):
    """The demonstration's bench with other values in its [virtual] table, on one database of the test."""
    drawn = drawn_anew(load_bench(demonstration_bench()), seed=seed, fault="")
    virtual = {**drawn.contents.virtual, "link": "direct"}
    for name, values in tables.items():
        virtual[name] = {**virtual[name], **values}
    bench_file = replace(drawn, contents=drawn.contents.model_copy(update={"virtual": virtual}))
    absolute = product.contents.range.absolute
    with (
        open_database(f"sqlite:///{tmp_path}/record.sqlite") as database,
        open_bench(bench_file, VoltageLimits(absolute.low_v, absolute.high_v)) as bench,
    ):
        yield Stand(bench, bench_file, product, database, seed)


@pytest.fixture
def stood(tmp_path, empty_record, brief_product):
    """Open such a bench with ``with stood(seed=1, source={...}) as it:``."""
    shutil.copy(empty_record, tmp_path / "record.sqlite")
    return partial(opened_with, tmp_path, brief_product)


class TestCharacterisation:
    def test_the_curve_is_right_within_its_uncertainty(self, stand):
        # 0.05 % and 5 mV off, and an ohm before the unit's input: up to 9 mV, which are 11 cents
        with stand() as it:
            ready(it)
            found = measured_curve(it.bench, it.product.contents, it.operator())
            true_v, uncertainty_v = found.curve.evaluate(SPAN_V)
            assert np.max(np.abs(SPAN_V - truth_v(it))) > 8e-3
            assert np.all(np.abs(true_v - truth_v(it)) < 2.0 * uncertainty_v)
            assert np.max(uncertainty_v) < 2e-4
            assert found.curve.order == 1

    @pytest.mark.parametrize("seed", [2, 3, 4])
    def test_a_bow_of_the_source_is_followed(self, stood, seed):
        with stood(seed, source={"bow_v": 2e-3}) as it:
            ready(it)
            found = measured_curve(it.bench, it.product.contents, it.operator())
            assert found.curve.order == 2
            true_v, uncertainty_v = found.curve.evaluate(SPAN_V)
            assert np.all(np.abs(true_v - truth_v(it)) < 2.5 * uncertainty_v)

    def test_each_voltage_is_waited_for_once_each_way(self, stand):
        with stand() as it:
            ready(it)
            before = {role: session.messages for role, session in it.bench.sessions.items()}
            began = it.bench.clock.now()
            measured_curve(it.bench, it.product.contents, it.operator())
            sent = {role: session.messages - before[role] for role, session in it.bench.sessions.items()}
            assert sent["source"] == 41
            # one to configure, one to see its range, one for the number of samples, 42 readings
            assert sent["meter"] == 45
            assert it.bench.clock.now() - began < 41 * 0.05 + 45 * 0.026

    def test_a_source_slower_than_the_bench_file_says_gets_the_time_that_it_needs(self, stood):
        with stood(source={"settling_time_constant_s": 0.012}) as it:
            ready(it)
            operator = it.operator()
            said = []
            operator.say = said.append
            found = measured_curve(it.bench, it.product.contents, operator)
            assert any("once more, with 0.08 s to settle" in each for each in said)
            assert np.all(np.abs(found.curve.evaluate(SPAN_V)[0] - truth_v(it)) < 2e-4)

    def test_a_source_far_too_slow_is_refused(self, stood):
        with stood(source={"settling_time_constant_s": 0.2}) as it:
            ready(it)
            with pytest.raises(NotTheSource, match="had not settled"):
                measured_curve(it.bench, it.product.contents, it.operator())

    def test_a_lead_on_the_rail_is_asked_for_again_and_then_a_fault_of_the_bench(self, stand):
        with stand() as it:
            ready(it)
            it.bench.hands.connect_meter("rail")
            operator = ScriptedOperator()
            with pytest.raises(BenchProblem, match="does not follow the source"):
                characterise_source(it.bench, it.product.contents, operator, records_of(it))
            assert operator.asked.count("meter on CV_JACK") == 3
            assert known_curve(records_of(it)).curve is None

    def test_a_curve_is_kept_and_used_again_until_its_hours_are_over(self, stand):
        with stand() as it:
            ready(it)
            records = records_of(it)
            assert "never characterised" in known_curve(records).doubt
            made = know_the_source(it.bench, it.product.contents, it.operator(), records)
            messages = it.bench.sessions["meter"].messages
            kept = know_the_source(it.bench, it.product.contents, it.operator(), records)
            assert it.bench.sessions["meter"].messages == messages
            np.testing.assert_allclose(kept.evaluate(SPAN_V), made.evaluate(SPAN_V), rtol=1e-12)
            np.testing.assert_allclose(kept.covariance_at(SPAN_V), made.covariance_at(SPAN_V), rtol=1e-9)
            it.bench.clock.sleep(12.1 * 3600.0)
            assert "12.1 hours old, and is valid for 12" in known_curve(records).doubt

    def test_a_curve_of_another_source_or_of_another_bench_file_is_not_used(self, stand):
        with stand() as it:
            ready(it)
            records = records_of(it)
            know_the_source(it.bench, it.product.contents, it.operator(), records)
            exchanged = replace(records, instruments={**records.instruments, "source": records.instruments["meter"]})
            assert "the one last characterised was Virtual bench CV source VS-0001" in known_curve(exchanged).doubt
            rewritten = replace(it.bench_file, text=it.bench_file.text + "# another line\n")
            changed = bench_records(it.database, it.bench, rewritten)
            assert "bench file was changed" in known_curve(changed).doubt
            assert known_curve(records).curve is not None


def verified(it, records, *, scanned="REF-1", reference="REF-1", restart_reason=""):
    operator = it.operator()
    it.bench.source.set_voltage(0.0)
    operator.connect_unit(scanned, "")
    it.bench.source.output_on()
    line = know_the_source(it.bench, it.product.contents, operator, records)
    request = VerifyRequest(scanned, reference, "test", seed=it.seed, restart_reason=restart_reason)
    return verify_bench(it.bench, records, it.product, operator, line, request)


class TestVerification:
    def test_a_steady_bench_agrees_with_its_history_and_the_first_check_begins_it(self, stand):
        with stand() as it:
            records = records_of(it)
            first, second, third = (verified(it, records) for _ in range(3))
            assert first.standing is Standing.NO_HISTORY
            assert "begins with this check" in first.sentence
            assert second.standing is third.standing is Standing.STEADY
            assert third.sentence == "The bench agrees with its history of 2 checks."
            assert {each.measured.characteristic for each in third.checks} == {
                "base_pitch",
                "scale_error",
                "highs_error",
                "rail",
            }
            assert all(abs(each.normalised_error) < 1.0 for each in third.checks)

    def test_a_bench_whose_counter_moved_is_found_out(self, stand):
        with stand() as it:
            records = records_of(it)
            for _ in range(2):
                verified(it, records)
            # 0.2 % in frequency are 3.5 cents, in all notes alike
            it.bench.provider.troubles.add(
                Trouble(role="counter", kind=Kind.TIME_BASE, message=1, messages=10**6, amount=2000.0)
            )
            moved = verified(it, records)
            assert moved.standing is Standing.MOVED
            assert "The bench has moved" in moved.sentence
            assert "Base pitch" in moved.sentence
            checks = reference_checks(it.database, records.revision_id, "REF-1")
            assert len(values_that_count(checks, "base_pitch")) == 2
            # once the reason is known, the history begins anew
            verified(it, records, restart_reason="the counter came back from calibration")
            again = verified(it, records)
            assert again.standing is Standing.STEADY
            assert "history of 1 checks" in again.sentence

    def test_another_unit_is_not_taken_for_the_reference(self, stood):
        with stood() as it:
            verified(it, records_of(it))
            with pytest.raises(WrongInput, match="is not the reference unit of this bench, which is REF-1"):
                verified(it, records_of(it), scanned=it.serial)
        # the same label on another unit, as another seed draws it
        with stood(seed=2) as it:
            records = records_of(it)
            before = reference_checks(it.database, records.revision_id, "REF-1")
            with pytest.raises(NoDecision, match="nothing like its reference unit"):
                verified(it, records)
            assert len(before) == 4
            assert reference_checks(it.database, records.revision_id, "REF-1") == before

    def test_the_reference_unit_is_never_visited_like_a_product(self):
        require_a_product("DM26010001G", "REF-1")
        require_a_product("DM26010001G", None)
        require_the_reference("REF-1", "REF-1")
        with pytest.raises(WrongInput, match="never adjusted or judged: use 'rig bench verify'"):
            require_a_product("REF-1", "REF-1")

    def test_verification_falls_due_by_the_hour(self, stand):
        with stand() as it:
            records = records_of(it)
            assert "never verified" in verification_due((), it.bench.clock.utc(), 24.0)
            verified(it, records)
            checks = reference_checks(it.database, records.revision_id, "REF-1")
            now = it.bench.clock.utc()
            assert verification_due(checks, now + timedelta(hours=23), 24.0) == ""
            assert "last verified 25 hours ago" in verification_due(checks, now + timedelta(hours=25), 24.0)


class TestStudy:
    def test_each_operator_measures_all_units_before_any_twice(self):
        plan = StudyPlan(("A", "B", "C"), ("one", "two"), 3, seed=4)
        runs = order_of(plan)
        assert len(set(runs)) == len(runs) == 18
        for start in range(0, 18, 3):
            block = runs[start : start + 3]
            assert {each.serial for each in block} == {"A", "B", "C"}
            assert len({(each.operator, each.repeat) for each in block}) == 1
        assert runs == order_of(plan)
        assert runs != order_of(replace(plan, seed=5))

    @pytest.mark.parametrize(
        ("plan", "sentence"),
        [
            ((("A",), ("one", "two"), 2), "2 units at least, not 1"),
            ((("A", "B"), ("one",), 2), "2 operators at least, not 1"),
            ((("A", "B"), ("one", "two"), 1), "2 repeats at least, not 1"),
            ((("A", "A"), ("one", "two"), 2), "A is named twice among the units"),
        ],
    )
    def test_a_study_too_small_is_refused_before_anything_is_measured(self, plan, sentence):
        with pytest.raises(WrongInput, match=sentence):
            StudyPlan(*plan, seed=1)

    def test_a_study_says_that_the_rig_is_a_small_part_of_the_spread(self, stand):
        with stand() as it:
            records = records_of(it)
            ready(it)
            line = know_the_source(it.bench, it.product.contents, it.operator(), records)
            serial = it.product.contents.serial
            units = tuple(serial.with_check_character(f"DM2600{number:04d}") for number in (1, 2))
            plan = StudyPlan(units, ("one", "two"), 2, seed=1)
            result = run_study(it.bench, records, it.product, it.operator(), line, plan)
            assert set(result.analyses) == {"base_pitch", "scale_error", "highs_error", "rail"}
            pitch = result.analyses["base_pitch"]
            assert pitch.share.value < 1e-3
            assert pitch.components.rig.value**0.5 < 1.0
            assert any(each.startswith("Base pitch: the rig's own spread is") for each in result.sentences)
            assert analysed(records, result.study_id, plan) == result
