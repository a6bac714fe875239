"""Units that come back: asked once, held against how they left, the changed part named."""

import json
from dataclasses import replace
from datetime import UTC, timedelta
from functools import partial

import pytest
from click.testing import CliRunner

from db import history, queries, returned, returns
from db.errors import DatabaseError
from db.questions import connection_of
from drivers.virtual.unit import UnitDescription
from rig.cli import app
from rig.errors import WrongInput
from rig.kept_visit import read_visit
from rig.operators.port import Story
from rig.operators.virtual import VirtualOperator
from rig.product import load_product
from rig.returns import NothingToCompare, Reason, changes, compare, is_back
from rig.science.conformity import Decision
from rig.visit import Purpose
from tests.rig.conftest import opened_stand, right

A_MONTH_S = 30.0 * 86400.0


@pytest.fixture
def stand(brief_stand):
    """A unit that is right leaves at once; nothing here is said of the warm-up, or of how fine a sweep is."""
    return partial(brief_stand, seed=1, unit="healthy", changed=right())


class Customer(VirtualOperator):
    """A virtual operator who is told why a unit is back."""

    asked = 0

    def why_returned(self, serial, reasons):
        self.asked += 1
        assert set(reasons) == {each.value for each in Reason}
        return Story(Reason.OUT_OF_TUNE.value, 'sharp on top, "awful"')


def operator(it, said=None):
    return Customer(it.bench.hands, it.bench.clock, it.seed, say=(said if said is not None else []).append)


def turned(trim, turns):
    return lambda it: it.bench.hands.turn(trim, turns)


def parts(**changed):
    def change(it):
        unit = it.bench.provider.wiring.unit
        described = unit.description.model_dump()
        for room, values in changed.items():
            described[room].update(values(described[room]))
        unit.replace_parts(UnitDescription.model_validate(described))

    return change


FAULTS = {
    "highs": turned("highs", 1.5),
    "scale": turned("scale", 1.5),
    "base": turned("base", 0.6),
    "leakage": parts(core=lambda core: {"leakage_hz": core["leakage_hz"] + 0.3}),
    "rail": parts(rail=lambda rail: {"error": rail["error"] + 0.004}),
    "cv path": parts(core=lambda core: {"slope": core["slope"] * 1.0022}),
    "step 3": parts(
        rail=lambda rail: {
            "switch_octaves": [each * (1.004 if n == 3 else 1.0) for n, each in enumerate(rail["switch_octaves"])]
        }
    ),
}


@pytest.fixture(scope="module")
def away(tmp_path_factory, brief_product, empty_record):
    """A bench on which one unit was adjusted, and a month went by."""
    folder = tmp_path_factory.mktemp("returns")
    with opened_stand(folder, seed=1, product=brief_product, empty_record=empty_record) as it:
        it.visit()
        it.bench.clock.sleep(A_MONTH_S)
        yield it


@pytest.mark.parametrize("part", FAULTS)
def test_the_part_that_changed_while_a_unit_was_away_is_named(away, part):
    unit = away.bench.provider.wiring.unit
    before = unit.state
    FAULTS[part](away)
    away.bench.clock.sleep(A_MONTH_S)
    visit = away.visit(Purpose.CHECK, operator(away))
    unit.restore(before)
    with away.database.reading() as session:
        made = compare(session, away.product.contents, away.serial, visit.visit_id)
    (found,) = made.oscillators
    assert found.suspects[0].suspect == part
    assert found.suspects[0].probability > 0.8
    assert visit.verdict.decision is Decision.FAIL


def test_a_unit_that_nothing_happened_to_is_said_to_have_no_fault(stand):
    with stand() as it:
        it.visit()
        it.bench.clock.sleep(A_MONTH_S)
        said = []
        person = operator(it, said)
        visit = it.visit(Purpose.CHECK, person)
        with it.database.reading() as session:
            entered = returned.returns_of(connection_of(session), queries.unit_by_serial(session, it.serial).id)
            kept = returns.suspicions_of(session, visit.visit_id)
    assert person.asked == 1
    assert visit.verdict.decision is Decision.PASS
    assert visit.came_back is not None
    (found,) = visit.came_back.oscillators
    assert "No fault found" in found.sentence
    assert any(found.sentence in line for line in said)
    assert [each.probability for each in kept] == [each.probability for each in found.suspects]
    assert [(each.reason, each.complaint) for each in entered] == [("out of tune", 'sharp on top, "awful"')]
    assert not any(each.moved for each in visit.came_back.differences)


def test_what_was_entered_when_the_unit_came_in_is_not_asked_again(stand):
    with stand() as it:
        it.visit()
        it.bench.clock.sleep(A_MONTH_S)
        with it.database.session() as session:
            unit = queries.unit_by_serial(session, it.serial)
            returns.add_return(
                session, unit.id, reason="drifts", complaint="", who="reception", received_utc=it.bench.clock.utc()
            )
        said = []
        person = operator(it, said)
        visit = it.visit(Purpose.ADJUST, person)
    assert person.asked == 0
    assert "It came back because: drifts." in said
    assert visit.came_back is not None
    assert visit.came_back.reason is not None
    assert visit.came_back.reason.reason == "drifts"


def test_a_record_names_every_return_and_repair_since_the_unit_last_left_and_none_before(stand):
    with stand() as it:
        it.visit()
        it.bench.clock.sleep(A_MONTH_S)
        turned("scale", 1.5)(it)

        def entered(note):
            with it.database.session() as session:
                unit_id = queries.unit_by_serial(session, it.serial).id
                returns.add_repair(session, unit_id, parts=(), note=note, who="shop", done_utc=it.bench.clock.utc())
            it.bench.clock.sleep(60.0)

        def told(visit):
            record = read_visit(it.database, it.serial, visit.visit_id).record
            return [each.reason for each in record.returns], [each.note for each in record.repairs]

        with it.database.session() as session:
            unit_id = queries.unit_by_serial(session, it.serial).id
            returns.add_return(
                session, unit_id, reason="drifts", complaint="", who="reception", received_utc=it.bench.clock.utc()
            )
        it.bench.clock.sleep(60.0)
        entered("looked at, nothing seen")
        checked = it.visit(Purpose.CHECK, operator(it))
        entered("a joint soldered")
        mended = it.visit(Purpose.ADJUST, operator(it))
        assert checked.verdict.decision is Decision.FAIL
        assert mended.verdict.decision is Decision.PASS
        it.bench.clock.sleep(A_MONTH_S)
        # asked at the bench, in the middle of the visit
        again = it.visit(Purpose.ADJUST, operator(it))
        it.bench.clock.sleep(A_MONTH_S)
        last = it.visit(Purpose.ADJUST, operator(it))
        assert told(checked) == (["drifts"], ["looked at, nothing seen"])
        assert told(mended) == (["drifts"], ["looked at, nothing seen", "a joint soldered"])
        assert told(again) == (["out of tune"], [])
        assert told(last) == (["out of tune"], [])


def test_a_product_file_that_measures_otherwise_than_when_the_unit_left_is_said(stand, brief_product, tmp_path):
    before = brief_product
    later = tmp_path / "later.toml"
    assert before.text.count("lowest_note_hz = 32.703") == 1
    later.write_text(before.text.replace("lowest_note_hz = 32.703", "lowest_note_hz = 65.406"), encoding="utf-8")
    with stand() as it:
        it.visit()
        it.bench.clock.sleep(A_MONTH_S)
        same = it.visit(Purpose.CHECK, operator(it, []))
        it.bench.clock.sleep(A_MONTH_S)
        changed = replace(it, product=load_product(later)).visit(Purpose.CHECK, operator(it, []))
    assert same.came_back is not None
    assert changed.came_back is not None
    assert not any("product file" in each for each in same.came_back.sentences)
    assert any("[range]" in each and "none of the unit's doing" in each for each in changed.came_back.sentences)


def test_a_unit_of_unknown_origin_is_measured_without_a_comparison(stand):
    with stand() as it:
        person = operator(it)
        visit = it.visit(Purpose.CHECK, person)
        with it.database.reading() as session, pytest.raises(NothingToCompare, match="not seen leaving"):
            compare(session, it.product.contents, it.serial)
    assert person.asked == 0
    assert visit.came_back is None
    assert visit.findings


def test_only_a_pass_of_an_earlier_shift_means_that_a_unit_left(away):
    with away.database.reading() as session:
        recorded = history.history(connection_of(session), away.serial)
    left = recorded.visits[0]
    only = replace(recorded, visits=(left,))
    late = left.started_utc.astimezone().replace(hour=23, minute=50)
    overnight = replace(recorded, visits=(replace(left, started_utc=late.astimezone(UTC)),))
    assert not is_back(overnight, late + timedelta(minutes=20))
    assert is_back(overnight, late + timedelta(hours=9))
    assert not is_back(None, left.started_utc)
    assert not is_back(only, left.started_utc + timedelta(minutes=10))
    assert is_back(only, left.started_utc + timedelta(days=2))
    failed = replace(left, verdicts=(replace(left.verdicts[0], decision="fail"),))
    assert not is_back(replace(recorded, visits=(left, failed)), left.started_utc + timedelta(days=2))
    assert all(each.normalised_error == 0.0 for each in changes(left.as_left, left.as_left))


@pytest.fixture
def typed(away, monkeypatch):
    """What a person types against the record of that bench."""
    monkeypatch.setenv("RIG_DATABASE_URL", away.database_url)
    return lambda *arguments: CliRunner().invoke(app, list(arguments))


def test_the_comparison_is_shown_with_repairs_as_text_and_as_a_document(away, typed):
    away.visit(Purpose.CHECK, operator(away))
    repaired = typed(
        "repair", away.serial, "--part", "core capacitor", "--note", 'cleaned; "flux"', "--who", "bench hand"
    )
    assert repaired.exit_code == 0, repaired.output
    shown = typed("compare", away.serial)
    assert shown.exit_code == 0, shown.output
    assert "scale error" in shown.output
    assert 'by bench hand: cleaned; "flux"; parts: core capacitor' in shown.output
    document = json.loads(typed("compare", away.serial, "--json").output)
    assert {each["characteristic"] for each in document["changes"]} >= {"rail", "scale_error", "base_pitch"}
    assert document["repairs"][0]["parts"] == ["core capacitor"]
    assert sum(each["probability"] for each in document["oscillators"][0]["suspects"]) <= 1.0


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("returned", "SERIAL", "--reason", "bored"), "is no reason for a return"),
        (("returned", "SERIAL", "--reason", "d"), "is no reason for a return"),
        (("returned", "nonsense", "--reason", "drifts"), "nonsense"),
        (("repair", "SERIAL"), "needs a part or a note"),
        (("repair", "DM99990001X", "--note", "x"), "No unit with serial"),
    ],
)
def test_what_cannot_be_entered_is_said_in_a_sentence(away, typed, arguments, sentence):
    outcome = typed(*(each.replace("SERIAL", away.serial) for each in arguments))
    assert isinstance(outcome.exception, WrongInput | DatabaseError)
    assert sentence in str(outcome.exception)
