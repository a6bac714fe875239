"""What the terminal shows at the end of a visit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.reports.slip import findings_lines

if TYPE_CHECKING:
    from rig.recommend import Recommendation
    from rig.reports.keep import Kept
    from rig.visit import Visit


DOUBTFUL_CENTS = 1.0


def screen_lines(visit: Visit, kept: Kept, database: str) -> list[str]:
    """Recommendation, findings, verdict, slip, and where everything is."""
    lines: list[str] = []
    if visit.recommendation is not None:
        lines += ["", "Recommendation from the as-found sweep:"]
        lines += [f"  {number}. {each.sentence()}" for number, each in enumerate(visit.recommendation.advice, 1)]
        if not visit.recommendation.advice:
            lines.append("  Nothing: leave every trim alone.")
        elif visit.recommendation.left_alone:
            lines.append(f"  Leave alone: {', '.join(visit.recommendation.left_alone)}.")
        lines += [f"  No trim cures: {cause.sentence}" for cause in visit.recommendation.causes]
        lines += _expected(visit.recommendation)
    if visit.as_left is not None and visit.as_found is not None:
        lines += ["", "As found:", *(f"  {line}" for line in findings_lines(visit.as_found.findings))]
    lines += ["", "As left:" if visit.as_left is not None else "As found, nothing turned:"]
    lines += [f"  {line}" for line in findings_lines(visit.findings)]
    lines += ["", f"Verdict: {visit.verdict.decision.value.upper()}. {visit.verdict.reason}"]
    lines += [f"  Likely cause: {cause.sentence}" for cause in visit.verdict.causes]
    lines += ["", kept.slip_text, f"Slip: {kept.slip}"]
    if kept.plot is not None:
        lines.append(f"Plot: {kept.plot}")
    lines.append(f"Record: visit {visit.visit_id} in {database}")
    return lines


def _expected(recommendation: Recommendation) -> list[str]:
    doubt = recommendation.remaining_standard_uncertainty_cents
    if doubt is None or recommendation.remaining_musical_cents is None:
        return []
    lines = [
        f"  Expected then: {recommendation.remaining_musical_cents:.2f} cents worst over the musical range, "
        f"standard uncertainty {doubt:.2f}."
    ]
    if doubt > DOUBTFUL_CENTS:
        lines.append("  The pivot of this unit is not known yet: sweep again after the scale trim, before the others.")
    return lines


def timing_lines(visit: Visit) -> list[str]:
    """Where the bench time of measuring went."""
    spent = visit.spent
    return [
        f"Bench time {visit.duration_s:.1f} s: settling {spent.settling_s:.1f} s, gating {spent.gating_s:.1f} s, traffic "
        f"{spent.traffic_s:.1f} s, waiting {spent.waiting_s(visit.duration_s):.1f} s (people, pauses of the warm-up)."
    ]
