"""What stands in the test record of a visit, before anything is set in type: the same for paper and for a page."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, isinf, log10
from typing import TYPE_CHECKING

from rig.kept_visit import LEFT
from rig.reports.wording import ERRORS, UNCERTAINTY, VERDICT_RULE, label, rule_meaning

if TYPE_CHECKING:
    from datetime import datetime

    from db.history import FindingRow
    from rig.kept_visit import KeptVisit
    from rig.science.budget import Budget

INVENTED = "INVENTED: demonstration"
SIGN_HERE = ("Name", "Date", "Signature")
NO_PLOT = "No plot: the product file or the bench file of then is none that this version can read."
WORTH_SHOWING = 0.1
"""Probability from which a suspicion stands in the record."""
NO_BUDGET = "no budget was kept with this visit"
LONGEST_CELL = 160


@dataclass(frozen=True, slots=True)
class FindingLine:
    """One characteristic: as found and as left, each with value, U and decision, as text."""

    name: str
    unit: str
    limits: str
    found: tuple[str, str, str]
    left: tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class BudgetTable:
    """One uncertainty budget as text: rows of name, distribution, u, sensitivity, dof, contribution, share."""

    title: str
    rows: tuple[tuple[str, ...], ...]
    result: str
    note: str


@dataclass(frozen=True, slots=True)
class RecordContents:
    """The record as text, section by section."""

    title: str
    serial: str
    demonstration: bool
    identity: tuple[tuple[str, str], ...]
    verdict: str
    passed: bool
    reason: str
    causes: tuple[str, ...]
    earlier: tuple[str, ...]
    came_back: tuple[str, ...]
    turned: str
    adjusted: bool
    findings: tuple[FindingLine, ...]
    notes: tuple[str, ...]
    budgets: tuple[BudgetTable, ...]
    instruments: tuple[tuple[str, str, str, str], ...]
    rules: tuple[tuple[str, str], ...]
    meanings: tuple[str, ...]
    cautions: tuple[str, ...]
    seal: str
    visit_id: str
    at: datetime


CV_KNOWN = {
    "cv meter": "measured at each point by a meter left on it",
    "characterisation": "as the source's characterisation gives it",
}
BUDGET_HEAD = ("input", "distribution", "u", "sensitivity", "dof", "contribution", "share")
INSTRUMENT_HEAD = ("role", "instrument", "calibrated", "due")


def record_contents(kept: KeptVisit) -> RecordContents:
    """Compose the record of a visit from the database alone."""
    record, visit = kept.record, kept.record.visit
    adjusted = bool(record.moves) or any(each.purpose == LEFT for each in record.sweeps)
    findings, notes = _findings(kept, adjusted=adjusted)
    rules = dict.fromkeys(each.rule for each in (*visit.as_found, *visit.as_left))
    return RecordContents(
        title="Test record",
        serial=record.serial,
        demonstration=visit.demonstration,
        identity=_identity(kept),
        verdict=kept.decision,
        passed=kept.decision in ("pass", "conditional pass"),
        reason=kept.reason,
        causes=kept.causes,
        earlier=tuple(f"{_moment(each.created_utc)}: {each.decision}. {each.reason}" for each in visit.verdicts[:-1]),
        came_back=_came_back(kept),
        turned=", ".join(f"{trim}: {count}" for trim, count in kept.turned().items()),
        adjusted=adjusted,
        findings=findings,
        notes=notes,
        budgets=tuple(_budget(label(name), budget) for name, budget in kept.budgets.items()),
        instruments=tuple(
            (
                each.role,
                shortened(each.identity),
                f"{each.calibrated_on:%Y-%m-%d}" if each.calibrated_on is not None else "not stated",
                f"{each.calibration_due:%Y-%m-%d}" if each.calibration_due is not None else "not stated",
            )
            for each in record.instruments
        ),
        rules=tuple((rule, rule_meaning(rule)) for rule in rules),
        meanings=(VERDICT_RULE, UNCERTAINTY, ERRORS),
        cautions=kept.product.cautions if kept.product is not None else (),
        seal=f"Link {kept.chain_head} of the record's chain; 'rig db check' holds it against the database."
        if kept.chain_head
        else "",
        visit_id=str(visit.visit_id),
        at=kept.at,
    )


def _identity(kept: KeptVisit) -> tuple[tuple[str, str], ...]:
    record, visit = kept.record, kept.record.visit
    curve = record.curve
    source = (
        f"source characterised {_moment(curve.taken_utc)}, valid until {_moment(curve.valid_until_utc)}"
        if curve is not None
        else "no characterisation was kept"
    )
    ended = _moment(visit.ended_utc) if visit.ended_utc is not None else "not ended"
    rows = (
        ("Serial", record.serial),
        ("Product", f"{record.product}, revision {kept.revision}"),
        ("Batch", record.batch_code or "unknown"),
        ("Visit", str(visit.visit_id)),
        ("Purpose", visit.purpose),
        ("Begun", _moment(visit.started_utc)),
        ("Ended", f"{ended} ({visit.outcome})" if visit.outcome else ended),
        ("Bench", visit.bench),
        ("Operator", visit.operator),
        ("CV", f"{CV_KNOWN[record.cv_by]}; {source}" if record.cv_by in CV_KNOWN else source),
        ("Room", _room(kept)),
        ("Software", f"Trimrig {visit.software_version}"),
    )
    return tuple((name, shortened(value)) for name, value in rows)


def _came_back(kept: KeptVisit) -> tuple[str, ...]:
    """Why the unit came back, what is suspected, and what was done to it, one paragraph each."""
    record = kept.record
    made = [
        f"Came back {_moment(each.received_utc)}: {each.reason}."
        + (f" Complaint: {each.complaint}" if each.complaint else "")
        + f" Entered by {each.who}."
        for each in record.returns
    ]
    made += [
        f"{f'{each.oscillator}: ' if each.oscillator else ''}{each.sentence} (probability {each.probability:.0%})"
        for each in record.suspicions
        if each.probability >= WORTH_SHOWING
    ]
    made += [
        f"Repaired {_moment(each.done_utc)} by {each.who}: {', '.join(each.parts) or 'no part changed'}."
        + (f" {each.note}" if each.note else "")
        for each in record.repairs
    ]
    return tuple(made)


def _room(kept: KeptVisit) -> str:
    """Temperature of the room, at begin and end where both were taken."""
    visit = kept.record.visit
    shown = [
        f"{each.ambient_c:.1f} °C at the {each.moment}" + (f" ({each.ambient_by})" if each.ambient_by else "")
        for each in kept.record.conditions
        if each.ambient_c is not None and each.moment in ("start", "end")
    ]
    if shown:
        return ", ".join(shown)
    return f"{visit.ambient_c:.1f} °C" if visit.ambient_c is not None else "temperature not recorded"


def _moment(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M} UTC"


def _findings(kept: KeptVisit, *, adjusted: bool) -> tuple[tuple[FindingLine, ...], tuple[str, ...]]:
    """Lines of the table and the notes that have no room in it."""
    visit = kept.record.visit
    before = {each.characteristic: each for each in visit.as_found}
    after = {each.characteristic: each for each in visit.as_left}
    lines: list[FindingLine] = []
    notes: list[str] = []
    for name in dict.fromkeys([*before, *after]):
        found, left = before.get(name), after.get(name)
        shown = left or found
        if shown is None:
            continue
        marks = ""
        for where, text in _notes_on(found, left, adjusted=adjusted):
            notes.append(f"{label(name)}{where}: {text}")
            marks += f" [{len(notes)}]"
        lines.append(
            FindingLine(
                f"{shortened(label(name))}{marks}",
                shown.unit,
                _limits(shown),
                _numbers(found) if adjusted else ("", "", ""),
                _numbers(left if adjusted else shown),
            )
        )
    return tuple(lines), tuple(notes)


def _notes_on(found: FindingRow | None, left: FindingRow | None, *, adjusted: bool) -> list[tuple[str, str]]:
    """Notes on a characteristic, each with where it belongs; the same one as found and as left stands once."""
    made = [(" as found", _note(found)), (" as left", _note(left))]
    if not adjusted or made[0][1] == made[1][1]:
        return [("", text) for text in (made[1][1] or made[0][1],) if text]
    return [(f",{where}", text) for where, text in made if text]


def _note(finding: FindingRow | None) -> str:
    if finding is None or not finding.note:
        return ""
    corrected = f"correction {finding.revision}: " if finding.revision else ""
    return f"{corrected}{finding.note}"


def _numbers(finding: FindingRow | None) -> tuple[str, str, str]:
    if finding is None:
        return "-", "-", "-"
    digits = digits_for(finding.expanded_uncertainty)
    value = "-" if finding.value is None else f"{finding.value:.{digits}f}"
    doubt = "-" if finding.expanded_uncertainty is None else f"{finding.expanded_uncertainty:.{digits}f}"
    return value, doubt, finding.decision


def digits_for(expanded_uncertainty: float | None) -> int:
    """Digits after the point for a value and its uncertainty: two figures of the latter (JCGM 100:2008, 7.2.6)."""
    if not expanded_uncertainty:
        return 3
    return min(7, max(0, 1 - floor(log10(expanded_uncertainty))))


def _limits(finding: FindingRow) -> str:
    low, high = finding.lower_limit, finding.upper_limit
    if low is None:
        return f"at most {high:g}" if high is not None else "none"
    return f"at least {low:g}" if high is None else f"{low:g} to {high:g}"


def _budget(title: str, budget: Budget) -> BudgetTable:
    made = budget.combine()
    shares = budget.shares()
    order = sorted(range(len(budget.inputs)), key=lambda place: -abs(float(budget.contributions[place])))
    rows = tuple(
        (
            shortened(each.name),
            each.distribution.value,
            f"{each.standard_uncertainty:.3g}",
            f"{each.sensitivity:.3g}",
            _freedom(each.degrees_of_freedom),
            f"{each.contribution:.3g}",
            f"{share:.1%}",
        )
        for each, share in ((budget.inputs[place], float(shares[place])) for place in order)
    )
    result = (
        f"{budget.value:.6g} {budget.unit}; standard uncertainty {made.standard_uncertainty:.3g}, effective degrees of "
        f"freedom {_freedom(made.effective_degrees_of_freedom)}, k = {made.coverage_factor:.2f}, "
        f"U = {made.expanded_uncertainty:.3g} {budget.unit} ({100.0 * made.probability:g} %)"
    )
    return BudgetTable(title, rows, result, "; ".join(each for each in (made.remark, budget.note) if each))


def _freedom(value: float) -> str:
    return "inf" if isinf(value) or value > 9999.0 else f"{value:.4g}"


def shortened(text: str, longest: int = LONGEST_CELL) -> str:
    """Text for a place without much room; what is left out is shown by dots."""
    return text if len(text) <= longest else f"{text[: longest - 4]} ..."
