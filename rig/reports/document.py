"""A visit as plain data, for programs (``--json``)."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.assess import Finding
    from rig.visit import Visit


def visit_document(visit: Visit, database: str, plot: str | None) -> dict[str, object]:
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
        "as_found": findings_document(visit.as_found.findings if visit.as_found is not None else visit.findings),
        "as_left": findings_document(visit.findings),
        "recommendation": visit.recommendation.document() if visit.recommendation is not None else None,
        "moves": dict(visit.moves),
        "warm_up_s": visit.warmed.duration_s if visit.warmed is not None else None,
        "bench_time_s": visit.duration_s,
        "database": database,
        "plot": plot,
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
        }
        for each in findings
    ]
