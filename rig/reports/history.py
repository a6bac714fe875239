"""The history of a unit, as text and as plain data."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from db.history import FindingRow, UnitHistory, VisitRow


def history_lines(history: UnitHistory) -> list[str]:
    """Lines for a terminal."""
    lines = [f"{history.serial}: {history.product}, batch {history.batch_code or 'unknown'}"]
    if not history.visits:
        lines.append("  No visit is recorded.")
    for visit in history.visits:
        lines += ["", *_visit_lines(visit)]
    return lines


def _visit_lines(visit: VisitRow) -> list[str]:
    verdict = visit.verdict
    decision = verdict.decision.upper() if verdict is not None else f"no verdict ({visit.outcome or 'not ended'})"
    mark = "  [demonstration]" if visit.demonstration else ""
    lines = [
        f"{visit.started_utc:%Y-%m-%d %H:%M} UTC  {visit.purpose} by {visit.operator} on {visit.bench}: "
        f"{decision}{mark}",
        f"  visit {visit.visit_id}",
    ]
    if verdict is not None:
        lines += [f"  {verdict.reason}", *(f"  likely cause: {cause}" for cause in verdict.causes)]
    if visit.closed_because:
        lines.append(f"  closed: {visit.closed_because}")
    left = {each.characteristic: each for each in visit.as_left}
    if visit.as_found:
        lines.append(f"  {'':<22}{'as found':>12}{'as left':>12}{'U':>9}  decision")
    for found in visit.as_found:
        after = left.get(found.characteristic, found)
        lines.append(
            f"  {found.characteristic.replace('_', ' '):<22}{_shown(found.value):>12}{_shown(after.value):>12}"
            f"{_doubt(after.expanded_uncertainty):>9}  {after.decision} ({after.unit})"
        )
    return lines


def _doubt(value: float | None) -> str:
    """An uncertainty, to two figures."""
    return "-" if value is None else f"{value:.2g}"


def _shown(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def history_document(history: UnitHistory, database: str) -> dict[str, object]:
    """Plain data for programs."""
    return {
        "serial": history.serial,
        "product": history.product,
        "batch": history.batch_code,
        "database": database,
        "visits": [_visit_document(visit) for visit in history.visits],
    }


def _visit_document(visit: VisitRow) -> dict[str, object]:
    verdict = visit.verdict
    return {
        "visit": str(visit.visit_id),
        "started_utc": visit.started_utc.isoformat(),
        "ended_utc": visit.ended_utc.isoformat() if visit.ended_utc is not None else None,
        "outcome": visit.outcome,
        "closed_because": visit.closed_because or None,
        "purpose": visit.purpose,
        "operator": visit.operator,
        "bench": visit.bench,
        "demonstration": visit.demonstration,
        "decision": verdict.decision if verdict is not None else None,
        "reason": verdict.reason if verdict is not None else None,
        "causes": list(verdict.causes) if verdict is not None else [],
        "as_found": [_finding_document(each) for each in visit.as_found],
        "as_left": [_finding_document(each) for each in visit.as_left],
    }


def _finding_document(finding: FindingRow) -> dict[str, object]:
    return {
        "characteristic": finding.characteristic,
        "value": finding.value,
        "unit": finding.unit,
        "expanded_uncertainty": finding.expanded_uncertainty,
        "limits": [finding.lower_limit, finding.upper_limit],
        "decision": finding.decision,
    }
