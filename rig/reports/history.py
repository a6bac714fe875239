"""The history of a unit, as text and as plain data."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.counted import counted

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
    unknown = _left_unmeasured(visit)
    if visit.as_found:
        lines.append(f"  {'':<22}{'as found':>12}{'as left':>12}{'U':>9}  decision")
    for found in visit.as_found:
        after = left.get(found.characteristic, found)
        lines.append(
            f"  {found.characteristic.replace('_', ' '):<22}{_shown(found.value):>12}"
            f"{'-' if unknown else _shown(after.value):>12}"
            f"{_doubt(after.expanded_uncertainty):>9}  {after.decision} ({after.unit})"
        )
    return [*lines, f"  {unknown}"] if unknown else lines


def _left_unmeasured(visit: VisitRow) -> str:
    """Say that nobody knows how a unit was left whose trims were turned; empty where that was measured, or nothing was
    turned: a mere check leaves it as it was found.
    """
    moves = counted(visit.moves, "finished move")
    if visit.as_left or visit.purpose == "check" or not (visit.as_found or visit.moves):
        return ""
    if visit.ended_utc is None:
        from rig.bench_lock import runs_now  # locks are of the instruments' world, which a history seldom needs

        if runs_now(visit.visit_id):
            return f"on the bench now, after {moves}: how it is left is not measured yet"
    if visit.verdict is None:
        return f"interrupted after {moves} (one may have been under way): how it was left was not measured"
    return f"{moves}: how it was left was not measured" if visit.moves else ""


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
        "moves": visit.moves,
        "left_unmeasured": bool(_left_unmeasured(visit)),
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
