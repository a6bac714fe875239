"""Benches and scans on which no guarded verdict can rest: one sentence each, and none is given."""

from dataclasses import replace

import numpy as np
import pytest
from sqlalchemy import func, select

from db import models
from fixtures import demonstration_bench
from rig.beginning import bench_records
from rig.bench import load_bench
from rig.bench_history import known_curve
from rig.errors import BenchProblem, FileProblem, WrongInput
from rig.meter_range import configure_range
from rig.science.characterisation import CommonErrors, NotTheSource, characterise
from rig.science.conformity import Decision
from rig.specification import Calibration, RangeSpecification, ReferenceUnit
from rig.stages.characterise_source import know_the_source
from rig.stages.verify_bench import VerifyRequest, verify_bench
from rig.visit import Purpose, Request, run_visit


def one_sentence(problem):
    text = str(problem.value)
    assert "\n" not in text
    return text


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("percent_of_reading = 0.0035", "percent_of_reading = -0.0035", "percent_of_reading"),
        (
            "within_90_days = { percent_of_reading = 0.002, percent_of_range = 0.0005 }, "
            "within_1_year = { percent_of_reading = 0.0035, percent_of_range = 0.0005 }",
            "within_1_year = { percent_of_reading = 3.5e-5, percent_of_range = 5.0e-6 }",
            "given as a ratio instead of percent",
        ),
        ("calibration_uncertainty_ppm = 0.1", "calibration_uncertainty_ppm = 1.0e-7", "ratio instead of parts"),
        ("days_ago = 146.1, due_in_days = 218.9", "on = 2026-03-01, due = 2026-02-01", "must come after the day of"),
        ("resistance_ohm = 100000.0", "resistance_ohm = 100000.0\nunit_input_tolerance_percent = 120.0", "tolerance"),
    ],
)
def test_a_specification_that_cannot_be_is_refused_before_the_bench_is_opened(tmp_path, old, new, says):
    text = demonstration_bench().read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "bench.toml").write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(FileProblem, match=says) as problem:
        load_bench(tmp_path / "bench.toml")
    assert "bench.toml" in one_sentence(problem)


def changed(it, **roles):
    """The bench with other values in its file, as it is opened."""
    contents = it.bench_file.contents
    parts = {
        name: getattr(contents, name).model_copy(update=values)
        if getattr(contents, name) is not None and isinstance(values, dict)
        else values
        for name, values in roles.items()
    }
    file = replace(it.bench_file, contents=contents.model_copy(update=parts))
    return replace(it.bench, file=file.contents), file


def test_a_meter_past_due_leaves_a_unit_measured_and_without_a_guarded_verdict(stand):
    with stand(seed=11) as it:
        bench, file = changed(it, meter={"calibration": Calibration(days_ago=300.0, due_in_days=-2.0)})
        said = []
        operator = it.operator()
        operator.say = said.append
        request = Request(it.serial, Purpose.CHECK, "test", seed=it.seed)
        visit = run_visit(bench, file, it.product, operator, it.database, request)
        with it.database.reading() as session:
            verdict = session.scalars(select(models.Verdict)).one()
            points = session.scalar(select(func.count()).select_from(models.Point))
    assert visit.verdict.decision is Decision.NO_DECISION
    assert verdict.decision == "no decision"
    assert "The meter's calibration was due on" in verdict.reason
    # the screen says why before anything is measured, and what was measured is kept
    assert any("The meter's calibration was due on" in each for each in said)
    assert points == 21


@pytest.mark.parametrize(("listed_v", "stands_v"), [(20.0, 100.0), (3.0, 10.0)])
def test_a_meter_on_another_range_than_its_file_says_is_not_believed(stand, listed_v, stands_v):
    with stand() as it:
        accuracy = {"percent_of_reading": 0.0035, "percent_of_range": 0.0005}
        only = RangeSpecification.model_validate({"range_v": listed_v, "resolution_v": 1e-5, "within_1_year": accuracy})
        bench, _ = changed(it, meter={"ranges": (only,)})
        with pytest.raises(
            BenchProblem, match=f"stands on its range of {stands_v:g} V where {listed_v:g} V"
        ) as problem:
            configure_range(bench.meter, bench.file.meter, 3.0)
        one_sentence(problem)
        # as its file has it, every range is the one that was asked for
        for voltage_v in (0.05, 0.9, 8.0, 50.0):
            configure_range(it.bench.meter, it.bench.file.meter, voltage_v)


def on_the_jack(it):
    it.bench.hands.insert(it.serial)
    it.bench.hands.power(True)
    it.bench.hands.connect_meter("source")
    it.bench.source.output_on()
    return bench_records(it.database, it.bench, it.bench_file)


def test_a_curve_too_old_or_of_another_source_is_made_anew_and_says_why(stand):
    with stand() as it:
        records, operator = on_the_jack(it), it.operator()
        said = []
        operator.say = said.append
        product = it.product.contents
        know_the_source(it.bench, product, operator, records)
        it.bench.clock.sleep(12.1 * 3600.0)
        know_the_source(it.bench, product, operator, records)
        other = replace(records, instruments={**records.instruments, "source": records.instruments["counter"]})
        know_the_source(it.bench, product, operator, other)
        assert known_curve(other).curve is not None
        with it.database.reading() as session:
            assert session.scalar(select(func.count()).select_from(models.Characterisation)) == 3
    reasons = ("never characterised", "12.1 hours old, and is valid for 12", "the one last characterised was")
    for reason in reasons:
        assert sum(reason in each for each in said) == 1


def test_a_characterisation_with_a_hole_makes_no_curve():
    programmed_v = np.linspace(0.0, 8.0, 21)
    exact, common = {"reading_u_v": 1e-5}, CommonErrors(0.0, 0.0)
    holed_v = np.where(np.arange(21) == 7, np.nan, programmed_v)
    with pytest.raises(NotTheSource, match=r"The reading at 2\.800 V is missing: characterise the source again"):
        characterise(programmed_v, holed_v, programmed_v, common=common, **exact)
    fewer_v = np.delete(programmed_v, slice(8, 13))
    with pytest.raises(NotTheSource, match=r"Nothing was read between 2\.800 V and 5\.200 V"):
        characterise(fewer_v, fewer_v, fewer_v, common=common, **exact)


def test_the_reference_unit_is_not_visited_and_a_product_does_not_verify_the_bench(stand):
    with stand() as it:
        bench, file = changed(it, reference=ReferenceUnit(serial=it.serial))
        request = Request(it.serial, Purpose.ADJUST, "test", seed=it.seed)
        with pytest.raises(WrongInput, match="is the reference unit of this bench, which is never adjusted") as problem:
            run_visit(bench, file, it.product, it.operator(), it.database, request)
        one_sentence(problem)
        records = bench_records(it.database, bench, file)
        product = it.product.contents.serial.example
        wanted = VerifyRequest(product, it.serial, "test")
        with pytest.raises(WrongInput, match="is not the reference unit of this bench") as problem:
            verify_bench(bench, records, it.product, it.operator(), None, wanted)
        one_sentence(problem)
        with it.database.reading() as session:
            assert session.scalar(select(func.count()).select_from(models.Visit)) == 0
        assert (it.bench.source.programmed(), it.bench.source.is_on()) == (0.0, False)
