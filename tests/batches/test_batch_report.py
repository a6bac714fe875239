"""A batch report counts what is in the record, names causes, and its charts speak before units fail."""

from __future__ import annotations

import inspect
import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from uuid import UUID, uuid5

import numpy as np
import pytest
from matplotlib.text import Text

from db.batches import BatchRecord, BatchVisit, Found, batch_record
from db.errors import NotFound
from db.questions import connection_of
from rig import diagnosis
from rig.batch import batch_reports, runs_of
from rig.batch_charts import charts_say
from rig.causes import named_cause
from rig.diagnosis import Fault
from rig.errors import WrongInput
from rig.reports.batch import batch_document, batch_lines
from rig.reports.batch_plots import new_figure, plot_batch
from rig.science.capability import Shape, share_interval

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from db.engine import Database

BEGAN = datetime(2026, 2, 2, 8, 0, tzinfo=UTC)
PRODUCT = "Invented"


def finding(phase: str, name: str, value: float, decision: str = "pass", limit: float = 3.0) -> Found:
    return Found(phase, name, value, "cents", -limit, limit, decision)


def visit(
    number: int,
    decision: str | None = "pass",
    *,
    serial: str = "",
    causes: Sequence[str] = (),
    moves: dict[str, int] | None = None,
    found: float = 0.0,
    left: float = 0.0,
    purpose: str = "adjust",
    name: str = "scale_error",
) -> BatchVisit:
    began = BEGAN + timedelta(minutes=20 * number)
    return BatchVisit(
        visit_id=uuid5(UUID(int=0), str(number)),
        serial=serial or f"S{number:03d}",
        product=PRODUCT,
        bench="bench",
        purpose=purpose,
        started_utc=began,
        ended_utc=None if decision is None else began + timedelta(minutes=10),
        demonstration=False,
        decision=decision,
        causes=tuple(causes),
        moves={"scale": 1} if moves is None else moves,
        findings=(finding("as_found", name, found), finding("as_left", name, left, decision or "pass")),
    )


def record(visits: Sequence[BatchVisit], code: str = "B1") -> BatchRecord:
    return BatchRecord(code, {PRODUCT: tuple(sorted({each.serial for each in visits}))}, tuple(visits))


def test_yields_retests_and_returns_are_counted_unit_by_unit():
    visits = [
        visit(1, "pass", serial="A"),
        visit(2, "fail", serial="B", causes=["SCALE is out of travel: about 2.0 more turns clockwise."]),
        visit(3, "conditional pass", serial="B"),
        visit(4, "fail", serial="C", causes=["Leakage lifts the lowest note by 30.0 cents (580.0 mHz) and no trim"]),
        visit(5, "fail", serial="C", causes=["Leakage lifts the lowest note by 31.0 cents (600.0 mHz) and no trim"]),
        visit(6, None, serial="D"),
        visit(7, "fail", serial="A"),  # came back
        visit(8, "pass", serial="E", purpose="check"),
    ]
    report = batch_reports(record(visits))[0]
    assert report.units == 5
    assert report.first_pass is not None
    assert report.final is not None
    assert (report.first_pass.passed, report.first_pass.judged) == (1, 3)
    assert (report.final.passed, report.final.judged) == (2, 3)
    assert report.final.share == share_interval(2, 3)
    assert report.retests == 2
    assert report.came_back == 1
    assert report.unfinished == 1
    assert report.minutes is not None
    assert report.minutes.median == pytest.approx(20.0)
    assert report.minutes.total == pytest.approx(50.0)
    assert report.failed_visits == 3
    assert [(each.cause.fault, each.visits, each.units, each.passed_later) for each in report.causes] == [
        (Fault.LEAKAGE, 2, 1, 0),
        (Fault.OUT_OF_TRAVEL, 1, 1, 1),
    ]


def test_a_run_ends_with_its_first_pass():
    visits = [visit(1, "fail", serial="A"), visit(2, "pass", serial="A"), visit(3, "fail", serial="A")]
    assert [each.decision for each in runs_of(visits)["A"]] == ["fail", "pass"]


def test_moves_are_counted_a_visit():
    visits = [visit(1, moves={"scale": 3}), visit(2, moves={"scale": 1, "base": 1}), visit(3, moves={})]
    moves = {each.trim: each for each in batch_reports(record(visits))[0].moves}
    assert moves["scale"].mean == pytest.approx(4 / 3)
    assert (moves["scale"].most, moves["scale"].visits_moved, moves["base"].visits_moved) == (3, 2, 1)


def causes_of_all_kinds() -> list[diagnosis.Cause]:
    return [
        diagnosis.dead_output(),
        diagnosis.dead_cv(0.1, 8.0),
        diagnosis.does_not_settle(2.0),
        diagnosis.out_of_travel("SCALE", -2.3),
        diagnosis.out_of_travel("SCALE", -2.3, seen_to_move=False),
        diagnosis.left_alone("SCALE", "damaged or loose"),
        diagnosis.octave_divider("3", 25.1),
        diagnosis.dead_rail(0.2, 10.0),
        diagnosis.dead_switch(),
        diagnosis.slow_warm_up(1.5, 0.1, 0.3, 30.0),
        diagnosis.slow_warm_up(0.1, 0.5, 0.3, 30.0),
    ]


@pytest.mark.parametrize("cause", causes_of_all_kinds(), ids=lambda cause: f"{cause.fault.value} {cause.where}")
def test_a_cause_is_known_again_by_its_sentence(cause: diagnosis.Cause):
    assert named_cause(cause.sentence).fault is cause.fault
    assert named_cause(cause.sentence).where == cause.where
    with_name = named_cause(f"left: {cause.sentence}")
    assert with_name.fault is cause.fault
    assert with_name.where == f"left: {cause.where}"


def test_every_way_of_making_a_cause_is_tried_above():
    made = {
        name
        for name, each in inspect.getmembers(diagnosis, inspect.isfunction)
        if each.__module__ == diagnosis.__name__ and str(inspect.signature(each)).endswith("-> 'Cause'")
    }
    tried = set(inspect.getsource(causes_of_all_kinds).replace("(", " ").replace(".", " ").split())
    assert made
    assert made <= tried


def test_a_sentence_that_nobody_knows_keeps_its_words_and_loses_its_numbers():
    assert named_cause("Odd smell of 3.5 units: look").label == "Odd smell of … units"


def test_a_drift_speaks_before_units_fail():
    generator = np.random.default_rng(1)
    left = 0.2 * generator.normal(size=120)
    left[50:] += 0.02 * np.arange(70)  # ends at 1.4 of a limit of 3
    visits = [visit(number, left=value, name="octave_step_3") for number, value in enumerate(left)]
    report = batch_reports(record(visits))[0]
    said = report.characteristics[0].sentences
    assert len(said) == 1
    assert "As left, octave step 3 has moved up since unit S05" in said[0]
    assert "cumulative sum beyond 8 standard deviations" in said[0]
    assert "No unit that was adjusted since then has failed for it" in said[0]
    charted = report.characteristics[0].as_left
    assert charted is not None
    assert charted.shift is not None
    assert 48 <= charted.shift.since <= 75
    assert charted.shift.seen < 95


def drifting(count: int = 120, since: int = 50, name: str = "octave_step_3") -> list[BatchVisit]:
    """Visits of a batch that moves up by a tenth of its spread a unit."""
    left = 0.2 * np.random.default_rng(1).normal(size=count)
    left[since:] += 0.02 * np.arange(count - since)
    return [visit(number, left=value, name=name) for number, value in enumerate(left)]


def test_a_unit_that_failed_before_the_level_moved_is_not_the_first_to_fail_for_it():
    visits = drifting()
    visits[14] = replace(visits[14], findings=(finding("as_left", "octave_step_3", 3.5, "fail"),), decision="fail")
    said = batch_reports(record(visits))[0].characteristics[0].sentences[0]
    assert "No unit that was adjusted since then has failed for it." in said
    visits[110] = replace(visits[110], findings=(finding("as_left", "octave_step_3", 3.5, "fail"),), decision="fail")
    said = batch_reports(record(visits))[0].characteristics[0].sentences[0]
    assert "The first unit to fail for it since then is S110 (111 of 120)." in said


def test_units_shelved_before_the_level_moved_are_not_counted_with_it():
    visits = drifting()
    for place in (5, 112, 115):
        visits[place] = replace(visits[place], moves={}, decision="fail", causes=("Odd smell",))
    said = batch_reports(record(visits))[0].characteristics[0].sentences[0]
    assert "has failed for it (2 were shelved as found)." in said


@pytest.mark.parametrize(
    ("end", "words", "kept"),
    [
        (3.0, "moved down from unit", "it now lies on the other side: +"),
        (0.1, "moved down from unit", "it has come back since: +0.1"),
        (-1.5, "has moved down since unit", "when it was seen, -1.5"),
    ],
)
def test_a_level_that_turned_is_said_to_have_come_back_or_to_lie_on_the_other_side(end: float, words: str, kept: str):
    left = np.tile([-0.5, 0.5], 40).astype(float)
    left[40:60] -= 3.0
    left[60:] += end
    visits = [visit(number, left=value) for number, value in enumerate(left)]
    said = batch_reports(record(visits))[0].characteristics[0].sentences[0]
    assert words in said
    assert kept in said


def test_a_steady_batch_says_nothing():
    values = np.random.default_rng(2).normal(size=(2, 150))
    visits = [visit(number, found=one, left=other) for number, (one, other) in enumerate(values.T)]
    report = batch_reports(record(visits))[0]
    assert report.characteristics[0].sentences == ()
    assert charts_say(report.characteristics) == ("No characteristic was seen to move.",)
    assert batch_document(report)["charts_say"] == ["No characteristic was seen to move."]


def test_too_few_units_to_see_a_move_are_said_to_be_too_few():
    values = np.tile([-0.5, 0.5], 6)
    visits = [visit(number, found=value, left=value) for number, value in enumerate(values)]
    said = charts_say(batch_reports(record(visits))[0].characteristics)
    assert said[0] == "No characteristic was seen to move."
    assert said[1].startswith("12 units are too few to tell: with fewer than 20")
    fewer = charts_say(batch_reports(record(visits[:3]))[0].characteristics)
    assert fewer == ("3 units of a kind make no chart: 8 are needed to see anything move.",)


def test_an_ewma_out_of_its_band_is_named_and_nothing_is_said_to_stand_still():
    left = np.array([0.0, 0.1, 0.0, 0.1, 0.0, 0.4, 0.5, 0.4, 0.5])
    visits = [visit(number, left=value, name="rail") for number, value in enumerate(left)]
    lines = batch_lines(batch_reports(record(visits))[0])
    assert any("the EWMA leaves its band for rail as left (first at unit S00" in line for line in lines)
    assert not any("No characteristic was seen to move" in line for line in lines)
    assert any("9 units are too few to tell" in line for line in lines)


def test_more_points_out_than_chance_explains_are_spoken_of():
    left = np.tile([-0.1, 0.1], 40).astype(float)
    left[15:75:12] = [4.0, -4.0, 4.0, -4.0, 4.0]
    visits = [visit(number, left=value) for number, value in enumerate(left)]
    report = batch_reports(record(visits))[0]
    assert report.characteristics[0].sentences == ()
    said = charts_say(report.characteristics)
    assert any(each.startswith("Clearly more points lie out than chance explains") for each in said)
    assert not any("No characteristic was seen to move" in each for each in said)


def test_the_capability_says_of_how_many_units_it_is_and_which_are_not_in_it():
    visits = [visit(number, left=value) for number, value in enumerate(np.tile([-0.5, 0.5], 15))]
    for place in (3, 7):
        visits[place] = replace(
            visits[place], moves={}, decision="fail", causes=("Octave position 3 is +25.0 cents off",)
        )
    report = batch_reports(record(visits))[0]
    characteristic = report.characteristics[0]
    assert characteristic.shelved == 2
    note = f"2 units shelved as found are not in it: 2 for {named_cause('Octave position 3 is +25.0 cents off').label}."
    lines = batch_lines(report)
    assert f"  {note}" in lines
    assert any(line.split()[:3] == ["scale", "error", "28"] for line in lines)
    document = batch_document(report)
    assert document["capability_notes"] == [note]
    assert document["characteristics"][0]["shelved_as_found"] == 2


def test_one_unit_one_point_and_one_visit_are_told_as_one():
    visits = [visit(number, left=0.3 * (-1) ** number) for number in range(20)]
    visits[4] = visit(4, "fail", left=9.0, causes=["SCALE is out of travel: about 9 more turns"])
    shown = "\n".join(batch_lines(batch_reports(record(visits))[0]))
    assert "1 unit with a faulty part is left out" in shown
    assert "Beyond three standard deviations: 1 point," in shown
    assert not re.search(r"\b1 (units|points|visits)\b", shown)


def test_units_with_a_faulty_part_are_left_out_of_the_capability():
    left = 0.3 * np.random.default_rng(3).normal(size=60)
    visits = [visit(number, left=value) for number, value in enumerate(left)]
    visits[20] = replace(visits[20], decision="fail", causes=("SCALE is out of travel: about 9 more turns",))
    visits[20] = replace(visits[20], findings=(finding("as_left", "scale_error", 40.0, "fail"),))
    characteristic = batch_reports(record(visits))[0].characteristics[0]
    assert characteristic.left_out == 1
    assert characteristic.failed == 1
    assert characteristic.capability is not None
    assert characteristic.capability.count == 59
    assert characteristic.capability.shape is Shape.NORMAL


def test_units_that_were_not_adjusted_are_not_charted_as_left():
    visits = [visit(number) for number in range(20)]
    visits[5] = replace(visit(5, "fail", moves={}, left=50.0), causes=("Octave position 3 is +25.0 cents off",))
    charted = batch_reports(record(visits))[0].characteristics[0].as_left
    assert charted is not None
    assert "S005" not in charted.serials


def test_two_products_of_one_code_are_reported_apart():
    visits = [visit(1), replace(visit(2, "fail"), product="Other")]
    both = BatchRecord("B1", {PRODUCT: ("S001",), "Other": ("S002",)}, tuple(visits))
    reports = batch_reports(both)
    assert [(each.product, each.units) for each in reports] == [(PRODUCT, 1), ("Other", 1)]
    assert all("2 products" in each.remarks[0] for each in reports)
    assert [each.product for each in batch_reports(both, "Other")] == ["Other"]
    with pytest.raises(WrongInput, match="holds no Third: it holds Invented and Other"):
        batch_reports(both, "Third")


@pytest.mark.parametrize("visits", [[], [visit(1, None)]])
def test_a_batch_without_a_verdict_says_so(visits: list[BatchVisit]):
    report = batch_reports(BatchRecord("B1", {PRODUCT: ("S001",)}, tuple(visits)))[0]
    assert report.first_pass is None
    lines = batch_lines(report)
    assert any("No unit of it has a verdict yet" in line for line in lines)
    assert json.dumps(batch_document(report), allow_nan=False)


@pytest.mark.parametrize("code", ["nothing", "it's", 'say "hi"', "🎹", "'; DROP TABLE unit; --", ""])
def test_a_batch_that_is_not_there_is_named_in_a_sentence(history: Database, code: str):
    with history.reading() as session, pytest.raises(NotFound, match=r"No unit of batch .* is recorded"):
        batch_record(connection_of(session), code)


def test_the_report_of_a_recorded_batch_agrees_with_the_record(history: Database, codes: tuple[str, ...]):
    with history.reading() as session:
        records = [batch_record(connection_of(session), code) for code in codes]
    for each in records:
        report = batch_reports(each)[0]
        assert report.demonstration
        assert report.units == len(next(iter(each.serials.values())))
        assert sum(report.visits.values()) == len(each.visits)
        document = json.loads(json.dumps(batch_document(report), allow_nan=False))
        assert document["final_yield"]["judged"] == report.units
        left = {one["characteristic"]: one["as_left"] for one in document["characteristics"]}
        assert set(left) >= {"scale_error", "rail", "octave_step_3"}


def test_plots_are_the_same_to_the_last_byte_and_bear_odd_codes(tmp_path: Path):
    visits = [visit(number, found=float(number % 7), left=float(number % 5)) for number in range(12)]
    report = batch_reports(record(visits, code="a/b'$x^$ 🎹"))[0]
    report = replace(report, product="Prüfling $1$")
    first, second = plot_batch(report, tmp_path / "one"), plot_batch(report, tmp_path / "two" / "deep")
    assert {path.suffix for path in first} == {".png", ".svg"}
    assert {path.name.rsplit("-", 1)[1].split(".")[0] for path in first} == {"capability", "scale_error"}
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]
    assert first[0].read_bytes().startswith(b"\x89PNG")


def test_a_title_is_broken_into_lines_that_stay_on_the_sheet():
    figure = new_figure(
        8.0,
        4.5,
        "Batch 2638, Demonstration oscillator (invented): failed visits by cause  -  "
        + "REVISED OSCILLATOR NUMBER TWO " * 3,
    )
    figure.canvas.draw()
    title = figure.get_suptitle()
    assert "\n" in title
    (drawn,) = [each for each in figure.findobj(Text) if each.get_text() == title]
    box = drawn.get_window_extent()
    assert box.x0 >= 0.0
    assert box.x1 <= figure.bbox.width


def test_visits_are_counted_on_whole_numbers(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    visits = [visit(1, "fail", causes=["SCALE is out of travel: about 2.0 more turns clockwise."])]
    drawn: dict[str, list[float]] = {}

    def look(figure: Figure, folder: Path, stem: str) -> list[Path]:
        figure.canvas.draw()
        drawn[stem.rsplit("-", 1)[1]] = [float(each) for each in figure.axes[0].get_yticks()]
        return []

    monkeypatch.setattr("rig.reports.batch_plots.save", look)
    plot_batch(batch_reports(record(visits))[0], tmp_path)
    assert drawn["causes"]
    assert all(each.is_integer() for each in drawn["causes"])


def chart_as_left(visits: Sequence[BatchVisit], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Axes:
    """The control chart of what these visits left."""
    drawn: list[Figure] = []

    def look(figure: Figure, folder: Path, stem: str) -> list[Path]:
        if "chart" in stem:
            drawn.append(figure)
        return []

    monkeypatch.setattr("rig.reports.batch_plots.save", look)
    plot_batch(batch_reports(record(visits))[0], tmp_path)
    (figure,) = drawn
    figure.canvas.draw()
    return next(each for each in figure.axes if each.get_title() == "as left")


def test_a_level_that_moved_far_is_drawn_where_it_lies(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    left = np.concatenate([np.tile([-0.1, 0.1], 20), 2.0 + 0.1 * np.tile([0.0, 1.0], 20)])
    visits = [visit(number, left=float(value)) for number, value in enumerate(left)]
    axes = chart_as_left(visits, monkeypatch, tmp_path)
    assert np.asarray(axes.lines[0].get_ydata()) == pytest.approx(left)


def test_one_unit_far_out_is_an_arrow_with_its_value_and_hides_no_other(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
):
    visits = [visit(number, left=0.1 * (-1.0) ** number) for number in range(40)]
    visits[25] = visit(25, "fail", left=215.5, causes=["A fault that spoils the unit: look"])
    axes = chart_as_left(visits, monkeypatch, tmp_path)
    assert [each.get_text() for each in axes.texts] == ["215.5"]
    assert any(each.get_marker() == "^" and list(each.get_xdata()) == [26] for each in axes.lines)
    low, high = axes.get_ylim()
    assert high - low < 5.0
