"""Budgets on a terminal: of a visit just made, and of the last one in the record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from db.budgets import last_judged_visit
from rig.budget_record import as_kept, budgets_of
from rig.reports.budget import budget_lines, budgets_lines
from rig.reports.risk import standing_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy.orm import Session

    from rig.assess import Finding


def visit_lines(findings: Sequence[Finding]) -> list[str]:
    """Budget of each finding as the record keeps it, with the ratio and the risk of its decision."""
    lines: list[str] = []
    for each in findings:
        if each.budget is not None:
            said = standing_of(each).sentence
            lines += ["", *budget_lines(as_kept(each.budget)), *([f"{said} ({each.decision.value})"] if said else [])]
    return lines


def recorded_lines(session: Session, serial: str) -> list[str]:
    """Budgets of a unit's last judged visit, as left.

    :raises NotFound: no unit with this serial was ever recorded.
    :raises RecordProblem: they cannot be read.
    """
    visit_id = last_judged_visit(session, serial)
    if visit_id is None:
        return ["", f"No budgets are recorded of {serial}: they are kept since schema r0004, with each verdict."]
    return ["", f"Budgets as left of visit {visit_id}:", "", *budgets_lines(budgets_of(session, visit_id, "as_left"))]
