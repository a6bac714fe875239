"""Judging again reproduces the record under its own limits, says what others would have made, and touches nothing."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest
from sqlalchemy import func, select

from db.engine import open_database
from db.models import Finding, Point, Sweep, Verdict, Visit
from db.moving import move
from db.rejudging import MARKS, PLACES, findings_as_left
from fixtures import demonstration_product
from rig.errors import FileProblem, WrongInput
from rig.limits_file import UNCHANGED, OtherLimits, SomeLimits, load_limits
from rig.product import load_product
from rig.production import FROM_SWEEPS, FROM_TEXT, MEASURED_LONGER, _columns, only_units_that_left, read_production
from rig.rejudge import PLACE, decisions_of, rejudge
from rig.reports.rejudge import curve_document, curve_lines, plot_curves, rejudged_document, rejudged_lines
from rig.science.conformity import Decision, Limits, Rule
from rig.science.decision import decide_bounded, decide_each
from rig.yield_curve import yield_curves

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from db.engine import Database
    from rig.production import Production


@pytest.fixture
def production(history: Database, codes: tuple[str, ...]) -> Production:
    with history.reading_connection() as connection:
        return read_production(connection, codes, UNCHANGED, "their own")


@pytest.fixture
def limits(tmp_path: Path) -> Callable[[str], OtherLimits]:
    def read(text: str) -> OtherLimits:
        (tmp_path / "limits.toml").write_text(text, encoding="utf-8")
        return load_limits(tmp_path / "limits.toml")

    return read


def test_values_computed_anew_and_decisions_are_those_of_the_record(production: Production):
    assert production.sweeps > 0
    computed = [each for each in production.columns if each.name in FROM_SWEEPS]
    assert len(computed) == len(FROM_SWEEPS)
    for each in computed:
        assert each.anew.all()
        np.testing.assert_allclose(each.value, each.stored, rtol=0.0, atol=1e-7)
    found = rejudge(production, UNCHANGED)
    assert found.differences == ()
    assert found.moved == {}
    assert found.own == found.other


def test_the_products_own_file_changes_nothing(production: Production):
    found = rejudge(production, load_limits(demonstration_product()))
    assert found.moved == {}
    for each in production.columns:
        own = load_limits(demonstration_product()).of(each.name, production.knob_octaves)
        assert (own is None) == (each.name == "response")
        if own is not None:
            assert (own.lowest, own.highest) == (each.low[0], each.high[0])


def test_tighter_limits_fail_those_that_lie_outside_them(production: Production, limits: Callable[[str], OtherLimits]):
    given = limits("decision_rule = 'simple acceptance'\n[limits]\nscale_error_cents_per_octave = 0.05\n")
    found = rejudge(production, given)
    column = next(each for each in production.columns if each.name == "scale_error")
    shown = next(each for each in found.characteristics if each.name == "scale_error")
    assert shown.other == np.count_nonzero(np.abs(column.value) <= 0.05)
    assert shown.other < shown.own
    assert found.other.accepted < found.own.accepted
    assert (shown.low, shown.high) == (-0.05, 0.05)


def test_nothing_is_written(history: Database, codes: tuple[str, ...]):
    def counts() -> list[int | None]:
        with history.reading() as session:
            tables = (Visit, Finding, Verdict, Sweep, Point)
            return [session.scalar(select(func.count()).select_from(table)) for table in tables]

    before = counts()
    with history.reading_connection() as connection:
        rejudge(read_production(connection, codes, UNCHANGED, ""), UNCHANGED)
    assert counts() == before


def test_a_verdict_that_was_altered_is_found(production: Production):
    column = next(each for each in production.columns if each.name == "highs_error")
    column.value[0] += 1.0
    column.decisions[1] = PLACE[Decision.FAIL]
    said = rejudge(production, UNCHANGED).differences
    assert any(each.startswith("highs_error: 1 value computed anew differs") for each in said)
    assert any(each.startswith("highs_error: 1 decision would not be the same") for each in said)


@pytest.mark.parametrize("rule", list(Rule))
@pytest.mark.parametrize("limits", [Limits(-1.0, 1.0), Limits(None, 1.0), Limits(-1.0, None), Limits(-0.2, 0.2)])
def test_many_decisions_are_those_of_each_by_itself(rule: Rule, limits: Limits):
    generator = np.random.default_rng(8)
    values = np.append(generator.normal(0.0, 1.5, size=200), [1.0, -1.0, np.nan])
    # some guard bands leave no room within the limits
    lower, upper = values - generator.uniform(0.0, 1.3, values.size), values + generator.uniform(0.0, 1.3, values.size)
    upper[7] = np.nan if rule is Rule.SIMPLE else np.inf
    made = decide_each(values, lower, upper, limits.lowest, limits.highest, rule is Rule.GUARDED)
    one_by_one = [decide_bounded(*each, limits, rule, nominal=0.0) for each in zip(values, lower, upper, strict=True)]
    assert made.tolist() == [PLACE[each] for each in one_by_one]


def test_what_was_not_decided_stays_undecided(production: Production):
    column = next(each for each in production.columns if each.name == "base_pitch")
    column.decisions[2] = PLACE[Decision.NO_DECISION]  # no curve fitted
    own, other = decisions_of(column, Limits(-1e9, 1e9), None)
    assert own[2] == other[2] == PLACE[Decision.NO_DECISION]


def test_a_guard_band_that_left_no_room_may_have_room_in_wider_limits(production: Production):
    column = next(each for each in production.columns if each.name == "base_pitch")
    place = int(np.argmin(np.abs(column.value)))
    column.low[place], column.high[place] = -1e-6, 1e-6
    column.value[place], column.lower[place], column.upper[place] = 0.0, -0.1, 0.1
    column.decisions[place] = PLACE[Decision.NO_DECISION]
    own, other = decisions_of(column, Limits(-1.0, 1.0), None)
    assert own[place] == PLACE[Decision.NO_DECISION]
    assert other[place] == PLACE[Decision.PASS]
    assert decisions_of(column, None, None)[1][place] == PLACE[Decision.NO_DECISION]


def test_what_was_measured_longer_keeps_its_recorded_value(history: Database, codes: tuple[str, ...]):
    with history.reading_connection() as connection:
        handfuls = findings_as_left(connection, codes, decisions=FROM_TEXT, guarded=Rule.GUARDED.value)
        rows = [tuple(row) for handful in handfuls for row in handful]
    first = next(row for row in rows if row[0] == "scale_error")
    number = first[1] // MARKS // PLACES
    anew = np.full(1 + max(row[1] for row in rows) // MARKS // PLACES, np.nan)
    anew[number] = 99.0

    def scale(marks: int) -> tuple[float, bool]:
        marked = [(row[0], row[1] | marks if row == first else row[1], *row[2:]) for row in rows]
        column = next(each for each in _columns([marked], {"scale_error": anew}) if each.name == "scale_error")
        place = list(column.visits).index(number)
        return float(column.value[place]), bool(column.anew[place])

    assert scale(MEASURED_LONGER) == (first[2], False)
    assert scale(0) == (99.0, True)


def test_the_curve_counts_units_inside_each_limit(production: Production):
    curves = {each.name: each for each in yield_curves(production, UNCHANGED, {"rail": "V"})}
    rail = curves["rail"]
    assert (rail.unit, rail.nominal, rail.present) == ("V", pytest.approx(10.0), pytest.approx(0.02))
    assert np.all(np.diff(rail.accepted) >= 0.0)
    # the guard band costs units, never gives any
    for each in curves.values():
        assert np.all(each.passed <= each.accepted + 1e-12)
        assert np.all((each.accepted_low <= each.accepted) & (each.accepted <= each.accepted_high))
    # a yield of 90 % needs the limit that nine of ten values lie inside
    values = next(each for each in only_units_that_left(production).columns if each.name == "rail").value
    needed = rail.needed[0].accepted
    assert needed is not None
    assert np.mean(np.abs(values - 10.0) <= needed + 1e-12) >= 0.9
    assert np.mean(np.abs(values - 10.0) < needed - 1e-12) < 0.9
    assert json.dumps(curve_document(list(curves.values())), allow_nan=False)
    assert any("octave step 3" in line for line in curve_lines(list(curves.values())))


def test_the_curve_is_drawn_the_same_each_time(production: Production, tmp_path: Path):
    curves, found = yield_curves(production, UNCHANGED, {})[:1], rejudge(production, UNCHANGED)
    written = [plot_curves(curves, found, tmp_path / name) for name in ("one", "two")]
    assert [path.suffix for path in written[0]] == [".png", ".svg"]
    assert [each.read_bytes() for each in written[0]] == [each.read_bytes() for each in written[1]]


def test_the_report_says_that_no_verdict_was_touched(production: Production):
    found = rejudge(production, UNCHANGED)
    lines = rejudged_lines(found, "their own limits")
    assert any("no verdict was touched" in line for line in lines)
    assert lines[-1] == "Under their own limits, judging again gives what is recorded."
    assert json.loads(json.dumps(rejudged_document(found, "own", "db")))["final_yield"]["own"]["units"] == found.units


def test_every_wrong_field_is_named(limits: Callable[[str], OtherLimits]):
    text = "decision_rule = 'maybe'\n[limits]\nscale = 1\noctave_step_cents = -1\nrail = { nominal_v = 10.0 }\n"
    with pytest.raises(FileProblem, match="4 wrong fields") as wrong:
        limits(text)
    for field in ("decision_rule", "limits.scale ", "limits.octave_step_cents", "limits.rail.plus_minus_v"):
        assert field in str(wrong.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "neither limits nor a decision_rule"),
        ("[limits]\n", "neither limits nor a decision_rule"),
        ("[limits\n", "not valid TOML"),
        ("[limits]\nscale_error_cents_per_octave = inf\n", "scale_error_cents_per_octave"),
        ("[limits]\nscale_error_cents_per_octave = '🎹'\n", "scale_error_cents_per_octave"),
        ("[limits]\nscale_error_cents_per_octave = true\n", "limits.scale_error_cents_per_octave is true"),
        ("[product]\ncode = 'X'\n", "wrong fields"),
    ],
)
def test_a_file_that_gives_no_limits_is_refused(limits: Callable[[str], OtherLimits], text: str, said: str):
    with pytest.raises(FileProblem, match=said):
        limits(text)


def test_a_product_file_with_other_ranges_is_refused(
    history: Database, codes: tuple[str, ...], limits: Callable[[str], OtherLimits]
):
    text = load_product(demonstration_product()).text
    given = limits(text.replace("musical = { low_v = 1.0", "musical = { low_v = 0.5"))
    with history.reading_connection() as connection, pytest.raises(WrongInput, match="in range, not only in limits"):
        read_production(connection, codes, given, "other.toml")


@pytest.mark.parametrize("code", ["none", "🎹", "a'b"])
def test_a_batch_that_was_never_judged_is_named(history: Database, code: str):
    with history.reading_connection() as connection, pytest.raises(WrongInput, match="has a verdict"):
        read_production(connection, (code,), UNCHANGED, "")


def test_a_record_on_the_server_is_judged_again_as_the_same_record_in_a_file(
    history: Database, codes: tuple[str, ...], migrated: str
):
    with open_database(migrated) as server:
        move(history, server, who="Ute", why="test")
        with history.reading_connection() as here, server.reading_connection() as there:
            one, other = (read_production(each, codes, UNCHANGED, "") for each in (here, there))
    tighter = OtherLimits(SomeLimits(scale_error_cents_per_octave=0.05), None)
    assert rejudge(other, tighter) == rejudge(one, tighter)
    assert one.sweeps == other.sweeps > 0
