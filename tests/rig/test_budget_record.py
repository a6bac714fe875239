"""Budgets in the record: small, unchangeable in meaning, and what was shown on the day."""

import zlib
from dataclasses import replace
from uuid import UUID

import pytest

from db.history import history
from db.questions import connection_of
from rig.assess import judged
from rig.budget_dictionary import DICTIONARIES
from rig.budget_record import as_kept, budgets_by_characteristic, budgets_of, packed, rows_of, unpacked
from rig.commands_budget import recorded_lines, visit_lines
from rig.errors import RecordProblem
from rig.reports.budget import budgets_lines
from rig.science.budget import Budget, Correlation, Distribution, Input, from_half_width
from rig.science.conformity import Rule
from rig.visit import Purpose

MOST_BYTES = 1100
"""Documents of both phases; with keys and row they take less than 1.2 kB a visit."""
BUDGET = Budget(
    "some quantity",
    0.123456789012345,
    "V",
    (
        Input("a", Distribution.STUDENT, 1.23456789e-5, -1200.0, 4.0, "readings", "together"),
        Input("b", Distribution.NORMAL, 2.0, 1.0, source="a certificate, of 1997"),
        from_half_width("c", 0.1, distribution=Distribution.U_SHAPED),
    ),
    (Correlation(("a", "b"), -0.36),),
    "a note",
)


def test_a_budget_comes_back_as_the_same_frozen_value():
    kept = as_kept(BUDGET)
    found = unpacked(1, packed({"x": BUDGET}), {"x": (BUDGET.value, BUDGET.unit)})
    assert found == {"x": kept}
    assert packed({"x": kept}) == packed({"x": BUDGET})
    assert kept.combine() == found["x"].combine()
    # six digits of each input: JCGM 100:2008, 7.2.6, asks for two of the result
    assert kept.combine().expanded_uncertainty == pytest.approx(BUDGET.combine().expanded_uncertainty, rel=2e-6)


def test_a_dictionary_that_was_used_is_never_changed():
    # RFC 1950, 2.2: without the very same dictionary nothing can be read back; ISO 3309 checksum
    assert {version: zlib.crc32(text) for version, text in DICTIONARIES.items()} == {1: 4131720602}


def test_what_cannot_be_read_is_said_in_one_sentence():
    document = packed({"x": BUDGET})
    with pytest.raises(RecordProblem, match=r"later version of this program \(format 2\)"):
        unpacked(2, document, {})
    for damaged in (document[:-9], document[:40] + b"\0" + document[41:], b"", document):
        with pytest.raises(RecordProblem, match=r"cannot be read .* restore the database from its last backup"):
            unpacked(1, damaged, {})


def test_each_oscillator_of_a_unit_has_its_own_document():
    one = judged("rail", "Reference rail", BUDGET, 3.0, Rule.GUARDED)
    findings = [replace(one, characteristic=f"{name}.{which}") for name in ("A", "B") for which in ("rail", "rim")]
    without = replace(one, characteristic="A.response", budget=None)
    rows = rows_of(UUID(int=1), "as_left", [*findings, without])
    assert [row.oscillator for row in rows] == ["A", "B"]
    values = {each.characteristic: (each.value, each.unit) for each in findings}
    assert set(unpacked(1, rows[1].document, values)) == {"B.rail", "B.rim"}


def test_a_visit_keeps_every_budget_of_both_phases_in_little_more_than_a_kilobyte(stand):
    with stand(seed=11) as it:
        visit = it.visit(Purpose.CHECK)
        with it.database.reading() as session:
            found, left = (budgets_by_characteristic(session, visit.visit_id, each) for each in ("as_found", "as_left"))
            listed = budgets_of(session, visit.visit_id, "as_left")
            lines = recorded_lines(session, it.serial)
            nothing = budgets_of(session, UUID(int=1), "as_left")
            told = history(connection_of(session), it.serial)
            rows = rows_of(visit.visit_id, "as_left", visit.findings)
    expected = {each.characteristic: as_kept(each.budget) for each in visit.findings}
    assert left == expected
    assert found == {each.characteristic: as_kept(each.budget) for each in visit.found_findings}
    assert list(listed) == list(expected.values())
    assert nothing == ()
    # what the finding says is what its budget comes to, years later
    for each in told.visits[0].as_left:
        if not each.characteristic.startswith("tracking"):
            combined = left[each.characteristic].combine()
            assert combined.expanded_uncertainty == pytest.approx(each.expanded_uncertainty, rel=1e-5)
    assert lines[-len(budgets_lines(listed)) :] == budgets_lines(listed)
    # the table of the day and that of the record are one and the same
    assert set(lines[3:]) <= set(visit_lines(visit.findings))
    assert 2 * sum(len(row.document) for row in rows) < MOST_BYTES
