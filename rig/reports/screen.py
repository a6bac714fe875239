"""What the terminal shows at the end of a visit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.reports.risk import risk_line, warning_lines
from rig.reports.slip import findings_lines

if TYPE_CHECKING:
    from rig.recommend import Recommendation
    from rig.reports.keep import Kept
    from rig.visit import Oscillator, Visit


DOUBTFUL_CENTS = 1.0


def screen_lines(visit: Visit, kept: Kept, database: str) -> list[str]:
    """Recommendation, findings, verdict, slip, and where everything is."""
    lines: list[str] = []
    for oscillator in visit.oscillators:
        lines += _oscillator_lines(oscillator)
    lines += ["", f"Verdict: {visit.verdict.decision.value.upper()}. {visit.verdict.reason}"]
    lines += [f"  Likely cause: {cause.sentence}" for cause in visit.verdict.causes]
    lines += ["", *kept.slip_text.split("\n"), f"Slip: {kept.slip}"]
    lines += [f"Plot: {plot}" for plot in kept.plots]
    lines.append(f"Record: visit {visit.visit_id} in {database}")
    return lines


def _oscillator_lines(oscillator: Oscillator) -> list[str]:
    of = f" of {oscillator.name}" if oscillator.name else ""
    lines: list[str] = []
    recommendation = oscillator.recommendation
    if recommendation is not None:
        lines += ["", f"Recommendation from the as-found sweep{of}:"]
        lines += [f"  {number}. {each.sentence()}" for number, each in enumerate(recommendation.advice, 1)]
        if not recommendation.advice:
            lines.append("  Nothing: leave every trim alone.")
        elif recommendation.left_alone:
            lines.append(f"  Leave alone: {', '.join(recommendation.left_alone)}.")
        lines += [f"  No trim cures: {cause.sentence}" for cause in recommendation.causes]
        lines += _expected(recommendation)
    if oscillator.as_left is not None:
        lines += ["", f"As found{of}:", *(f"  {line}" for line in findings_lines(oscillator.found_findings))]
    lines += ["", f"As left{of}:" if oscillator.as_left is not None else f"As found{of}, nothing turned:"]
    lines += [f"  {line}" for line in findings_lines(oscillator.findings)]
    said = [risk_line(oscillator.findings), *warning_lines(oscillator.findings)]
    return lines + [f"  {line}" for line in said if line]


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
        f"Bench time {visit.duration_s:.1f} s: settling {spent.settling_s:.1f} s, gating {spent.gating_s:.1f} s, "
        "traffic "
        f"{spent.traffic_s:.1f} s, waiting {spent.waiting_s(visit.duration_s):.1f} s (people, pauses of the warm-up)."
    ]
