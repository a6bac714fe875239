"""A visit as plain data, for programs (``--json``)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.reports.budget import budget_document
from rig.reports.returned import came_back_document
from rig.reports.risk import risk_document

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.assess import Finding
    from rig.visit import Oscillator, Visit


def visit_document(visit: Visit, database: str, plots: list[str]) -> dict[str, object]:
    """Everything that a program may want to know of a visit."""
    return {
        "serial": visit.serial,
        "batch": visit.batch,
        "visit": str(visit.visit_id),
        "decision": visit.verdict.decision.value,
        "reason": visit.verdict.reason,
        "causes": [
            {"fault": each.fault.value, "where": each.where, "sentence": each.sentence} for each in visit.verdict.causes
        ],
        "as_found": findings_document(visit.found_findings),
        "as_left": findings_document(visit.findings),
        "oscillators": [_oscillator_document(each) for each in visit.oscillators],
        "came_back": came_back_document(visit.came_back) if visit.came_back is not None else None,
        "bench_time_s": visit.duration_s,
        "database": database,
        "plots": plots,
    }


def _oscillator_document(oscillator: Oscillator) -> dict[str, object]:
    return {
        "name": oscillator.name,
        "decision": oscillator.verdict.decision.value,
        "recommendation": oscillator.recommendation.document() if oscillator.recommendation is not None else None,
        "moves": dict(oscillator.moves),
        "warm_up_s": oscillator.warmed.duration_s if oscillator.warmed is not None else None,
    }


def findings_document(findings: Sequence[Finding]) -> list[dict[str, object]]:
    """Findings as plain data."""
    return [
        {
            "characteristic": each.characteristic,
            "value": each.value,
            "unit": each.unit,
            "expanded_uncertainty": each.expanded_uncertainty,
            "limits": [each.limits.low, each.limits.high],
            "bounds": [each.lower, each.upper],
            "rule": each.rule.value,
            "decision": each.decision.value,
            "note": each.note,
            **risk_document(each),
            "budget": budget_document(each.budget) if each.budget is not None else None,
        }
        for each in findings
    ]
