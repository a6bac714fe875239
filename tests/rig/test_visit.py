"""Whole visits on the virtual bench: real SCPI, a real database, a hand that turns imperfectly."""

import json
import os
from dataclasses import replace

import pytest
from sqlalchemy import func, select

from db import history as asked
from db import models, queries
from db.errors import Conflict
from db.queries import close_visit
from db.questions import connection_of
from drivers.errors import NoSignal
from rig.bench_lock import Locks, lock_of_visit, runs_now
from rig.diagnosis import Fault
from rig.errors import BenchBusy, SerialProblem, Stopped
from rig.operators.scripted import ScriptedOperator
from rig.operators.virtual import VirtualOperator
from rig.product import StageName
from rig.science.conformity import Decision
from rig.visit import Purpose, Request, run_visit
from tests.benchmarks.verdicts import RIGHT_CAUSE, Drawn, true_characteristics, wrong_statements
from tests.rig.conftest import opened_stand


@pytest.fixture
def stand(brief_stand):
    """Nothing here is said of the warm-up, or of how fine a sweep is."""
    return brief_stand


@pytest.fixture(scope="module")
def adjusted(tmp_path_factory, brief_product, empty_record):
    """A bench on which one unit was adjusted, and that visit; only to be read."""
    folder = tmp_path_factory.mktemp("adjusted")
    with opened_stand(folder, seed=11, product=brief_product, empty_record=empty_record) as it:
        yield it, it.visit()


@pytest.fixture(scope="module")
def checked(tmp_path_factory, brief_product, empty_record):
    """A bench on which one unit was checked, where its trims stood before, and that visit; only to be read."""
    folder = tmp_path_factory.mktemp("checked")
    with opened_stand(folder, seed=11, product=brief_product, empty_record=empty_record) as it:
        it.bench.hands.insert(it.serial)
        before = dict(it.bench.provider.truth().trim_positions_turns)
        yield it, before, it.visit(Purpose.CHECK)


def test_a_repairable_unit_leaves_inside_all_its_limits_by_the_truth(adjusted):
    it, visit = adjusted
    truths = true_characteristics(it.bench.provider.truth(), it.product.contents)
    assert visit.verdict.decision in (Decision.PASS, Decision.CONDITIONAL_PASS)
    assert wrong_statements(visit, truths) == ()
    assert truths["tracking_musical"] < 1.5
    assert visit.oscillators[0].as_found is not None
    assert visit.oscillators[0].as_left is not None


@pytest.mark.parametrize("fault", [each.value for each in Drawn])
def test_a_unit_that_no_trim_can_cure_fails_with_its_cause_named(stand, fault):
    with stand(seed=21, fault=fault) as it:
        visit = it.visit()
        source_v, on = it.bench.source.programmed(), it.bench.source.is_on()
    assert visit.verdict.decision is Decision.FAIL
    assert {cause.fault for cause in visit.verdict.causes} & RIGHT_CAUSE[Drawn(fault)]
    assert (source_v, on) == (0.0, False)


def test_the_same_seed_gives_the_same_visit_to_the_last_digit_over_any_link(stand, brief_product, tmp_path):
    stages = (*brief_product.contents.stages[:2], StageName.SCALE, StageName.KNOB, StageName.PROOF)
    product = replace(brief_product, contents=brief_product.contents.model_copy(update={"stages": stages}))

    def everything(link):
        with stand(seed=5, link=link, product=product) as it:
            visit = it.visit()
        assert visit.oscillators[0].as_left is not None
        return (
            [finding.value for finding in visit.findings],
            [finding.upper for finding in visit.findings],
            list(visit.oscillators[0].as_left.assessed.pitch_octaves),
            visit.duration_s,
            visit.oscillators[0].moves,
        )

    first = everything("socket")
    (tmp_path / "record.sqlite").unlink()
    assert everything("direct") == first


def test_checking_turns_nothing_and_still_says_what_to_turn(checked):
    it, before, visit = checked
    assert len(before) == 5
    assert it.bench.provider.truth().trim_positions_turns == before
    assert visit.oscillators[0].as_left is None
    assert _count(it, models.Move) == 0
    assert visit.oscillators[0].recommendation is not None
    assert {advice.trim for advice in visit.oscillators[0].recommendation.advice} >= {"highs"}
    assert visit.verdict.decision is Decision.FAIL


def test_what_was_advised_is_kept_as_it_was_shown_in_a_row_that_shares_its_page(checked):
    it, _, visit = checked
    with it.database.reading() as session:
        kept = session.scalars(select(models.Recommendation)).one().document
    shown = visit.oscillators[0].recommendation.document()
    assert len(kept["moves"]) >= 2
    for row, move in zip(kept["moves"], shown["moves"], strict=True):
        for name, value in zip(kept["columns"], row, strict=True):
            assert value == (pytest.approx(move[name], rel=1e-8) if isinstance(value, float) else move[name])
    # of a row in keyed storage, 1002 bytes stay on a page of 4096 (SQLite file format, 1.6); keys and head take 60
    assert len(json.dumps(kept, separators=(",", ":"))) < 1002 - 60


def _count(it, model):
    with it.database.reading() as session:
        return session.scalar(select(func.count()).select_from(model))


def test_the_record_holds_every_point_move_finding_and_the_verdict(adjusted):
    it, visit = adjusted
    with it.database.reading() as session:
        told = asked.history(connection_of(session), it.serial)
        sweeps = session.scalars(select(models.Sweep).order_by(models.Sweep.sequence)).all()
        points = dict(
            session.execute(select(models.Point.sweep_id, func.count()).group_by(models.Point.sweep_id)).all()
        )
        moves = session.scalars(select(models.Move)).all()
        roles = session.scalars(select(models.VisitInstrument.role)).all()
    assert sweeps[0].purpose == "as_found"
    assert sweeps[-1].purpose == "as_left"
    assert points[sweeps[0].id] == points[sweeps[-1].id] == 9 + 4
    assert len(moves) == sum(visit.oscillators[0].moves.values())
    assert all(move.outcome == "target reached" for move in moves)
    assert sorted(roles) == ["counter", "meter", "source"]
    (visited,) = told.visits
    assert visited.outcome == "finished"
    assert visited.verdict is not None
    assert visited.verdict.decision == visit.verdict.decision.value
    assert [each.value for each in visited.as_left] == pytest.approx([each.value for each in visit.findings])
    assert visited.demonstration


def test_the_source_is_characterised_once_a_shift(stand):
    with stand(seed=11) as it:
        it.visit(Purpose.CHECK)
        it.visit(Purpose.CHECK)
        assert _count(it, models.Characterisation) == 1


def test_a_unit_of_another_product_is_refused_before_anything_is_touched(stand):
    # its own product may stand less at its CV input than this one's limits let the source put out
    with stand(seed=1) as it:
        with it.database.session() as session:
            other = queries.get_or_add_product_revision(
                session, product_name="Another oscillator", toml_text="another", at_utc=it.bench.clock.utc()
            )
            queries.get_or_add_unit(session, serial=it.serial, product_id=other.product_id)
        said = []
        person = VirtualOperator(it.bench.hands, it.bench.clock, 1, say=said.append)
        with pytest.raises(Conflict, match="is recorded as a unit of Another oscillator"):
            it.visit(operator=person)
        assert said == []
        assert not it.bench.source.is_on()


def test_a_wrong_check_character_stops_before_anything_is_touched(stand):
    with stand() as it:
        misread = it.serial[:-1] + ("A" if it.serial[-1] != "A" else "B")
        request = Request(misread, Purpose.ADJUST, "test")
        with pytest.raises(SerialProblem, match="check character"):
            run_visit(it.bench, it.bench_file, it.product, it.operator(), it.database, request)
        assert _count(it, models.Unit) == 0


class StopsDuring:
    """An operator who stops when a stage begins."""

    def __init__(self, operator, stage):
        self._operator = operator
        self._stage = stage

    def __getattr__(self, name):
        return getattr(self._operator, name)

    def progress(self, stage, done, total):
        if stage == self._stage and done >= 5:
            raise Stopped("The operator stopped the visit.")


def _stopped(it, stage):
    """A visit that is stopped in a stage keeps what was measured, and has no verdict."""
    with pytest.raises(Stopped):
        it.visit(operator=StopsDuring(it.operator(), stage))
    with it.database.reading() as session:
        (left,) = asked.history(connection_of(session), it.serial).visits
    assert left.outcome is None
    assert left.verdict is None
    assert _count(it, models.Reading) > 0
    assert _count(it, models.Point) >= (0 if stage == "warm-up" else 5)
    return left


@pytest.mark.parametrize("stage", ["warm-up", "sweep after move"])
def test_a_visit_that_is_stopped_keeps_what_was_measured_and_leaves_the_source_safe(stand, stage):
    with stand(seed=11) as it:
        _stopped(it, stage)
        device = it.bench.provider.source
        assert not _is_safe(device)
    assert _is_safe(device)


@pytest.mark.parametrize("stage", ["sweep as found", "sweep after move", "sweep as left"])
def test_a_visit_that_is_stopped_keeps_what_was_measured_and_goes_on_with_what_was_found_at_first(stand, stage):
    with stand(seed=11) as it:
        before = _stopped(it, stage)
        visit = it.visit()
        with it.database.reading() as session:
            told = asked.history(connection_of(session), it.serial)
        truths = true_characteristics(it.bench.provider.truth(), it.product.contents)
    (only,) = told.visits
    assert only.visit_id == before.visit_id == visit.visit_id
    assert only.outcome == "finished"
    assert visit.verdict.decision in (Decision.PASS, Decision.CONDITIONAL_PASS)
    assert wrong_statements(visit, truths) == ()
    found = {each.characteristic: each.value for each in only.as_found}
    assert found["highs_error"] < -10.0
    assert {each.characteristic: each.value for each in before.as_found} in ({}, found)
    assert {each.characteristic: each.value for each in visit.found_findings} == found


def test_a_unit_that_another_program_measures_is_not_taken_from_it(stand, tmp_path):
    with stand(seed=11) as it:
        with pytest.raises(Stopped):
            it.visit(operator=StopsDuring(it.operator(), "sweep as found"))
        with it.database.reading() as session:
            lying = asked.history(connection_of(session), it.serial).visits[0]
        with Locks(tmp_path / "other.toml") as locks:
            locks.take_visit(lying.visit_id, it.serial)
            said = []
            person = VirtualOperator(it.bench.hands, it.bench.clock, 11, say=said.append)
            with pytest.raises(BenchBusy, match=f"Unit {it.serial} is being measured now"):
                it.visit(operator=person)
            # refused before it was connected, and before the source put anything out
            assert said == []
        with it.database.reading() as session:
            (still,) = asked.history(connection_of(session), it.serial).visits
    assert still.ended_utc is None


class Closes(StopsDuring):
    """An operator whose visit somebody closes from elsewhere."""

    def __init__(self, stand, stage):
        super().__init__(stand.operator(), stage)
        self._stand = stand
        self.running = []
        self.said = []

    def tell(self, sentence):
        self.said.append(sentence)

    def progress(self, stage, done, total):
        if stage != self._stage or done != 5:
            return
        with self._stand.database.session() as session:
            (lying,) = asked.unfinished_visits(connection_of(session))
            self.running.append(runs_now(lying.visit_id))
            close_visit(session, lying.visit_id, reason="cleared", closed_by="Sam", closed_utc=lying.started_utc)


@pytest.mark.parametrize("purpose", [Purpose.ADJUST, Purpose.CHECK])
def test_a_visit_that_is_closed_from_elsewhere_says_by_whom_and_why(stand, purpose):
    with stand(seed=11) as it:
        operator = Closes(it, "sweep as found")
        with pytest.raises(Stopped) as caught:
            it.visit(purpose, operator)
        with it.database.reading() as session:
            (only,) = asked.history(connection_of(session), it.serial).visits
    assert str(caught.value).startswith(f"The visit of {it.serial} was closed meanwhile by Sam: cleared. ")
    assert only.closed_because == "cleared (Sam)"
    # while it went on, everybody on this computer could see who runs it, and nobody any more
    assert all(f"process {os.getpid()}, since " in each for each in operator.running)
    assert operator.running
    assert not lock_of_visit(only.visit_id).exists()


def test_an_interrupted_visit_says_that_a_move_may_have_been_under_way(stand):
    with stand(seed=11) as it:
        with pytest.raises(Stopped):
            it.visit(operator=StopsDuring(it.operator(), "sweep as found"))
        operator = Closes(it, "sweep as found")
        with pytest.raises(Stopped, match="closed meanwhile"):
            it.visit(operator=operator)
    assert (
        f"A visit of {it.serial} was interrupted after 0 finished moves (one may have been under way): it goes on; "
        "what was measured as found stays as found."
    ) in operator.said


def test_a_check_that_is_stopped_is_over(stand):
    with stand(seed=11) as it:
        with pytest.raises(Stopped):
            it.visit(Purpose.CHECK, StopsDuring(it.operator(), "sweep as found"))
        with it.database.reading() as session:
            told = asked.history(connection_of(session), it.serial)
    assert told.visits[0].outcome == "stopped"


def _is_safe(device):
    on, voltage_v = device.execute("OUTP?;:SOUR:VOLT?").split(";")
    return float(on) == 0.0 and float(voltage_v) == 0.0


def test_a_lead_that_nobody_vouches_for_is_not_a_dead_unit(stand):
    with stand(seed=21, fault="dead_stage") as it:
        hands = it.operator()

        class Unsure(StopsDuring):
            def output_is_connected(self, problem):
                return False

            def progress(self, stage, done, total):
                pass

        visit_or_error = None
        try:
            visit_or_error = it.visit(operator=Unsure(hands, ""))
        except NoSignal as error:
            visit_or_error = error
        with it.database.reading() as session:
            told = asked.history(connection_of(session), it.serial)
    if isinstance(visit_or_error, NoSignal):
        assert "output lead" in str(visit_or_error)
        assert told.visits[0].verdict is None
    else:
        assert visit_or_error.verdict.causes[0].fault is Fault.DEAD_CV


def test_a_dead_output_needs_somebody_to_vouch_for_the_lead(stand):
    for seed in range(30, 60):
        with stand(seed=seed, fault="dead_stage") as it:
            if it.bench.provider.hands._find(it.serial).output.alive:
                continue
            it.bench.hands.insert(it.serial)
            sure = ScriptedOperator(output_connected=False)
            sure_serial = it.serial
            request = Request(sure_serial, Purpose.CHECK, "test")
            it.bench.hands.connect_meter("source")
            with pytest.raises(NoSignal, match="check the output lead"):
                run_visit(it.bench, it.bench_file, it.product, sure, it.database, request)
            return
    pytest.fail("no unit with a dead output was drawn in thirty seeds")
